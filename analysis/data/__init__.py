"""Data files of the analysis: the default limits."""
