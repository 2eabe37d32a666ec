"""Before and after a repair: what changed, the weather between, and one sentence of verdict."""
