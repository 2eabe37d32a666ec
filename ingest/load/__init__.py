"""A run folder, or a log with a set-up, to a `Run`; `load.load_run` is its door."""
