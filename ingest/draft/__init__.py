"""A first run.toml for a log nobody has described yet; `draft` is its door."""
