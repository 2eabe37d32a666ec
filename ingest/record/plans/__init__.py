"""Data files of the package: the usual test plans."""
