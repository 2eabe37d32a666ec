"""Times as loggers write them, and one strictly increasing log time; `log_clock` is its door."""
