"""Limits from labelled runs: what a limit catches, what it costs, and how sure that is."""
