"""`run.toml`: read and validated, mistakes said in its own keys; `model.Setup` is the result."""
