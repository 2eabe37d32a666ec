"""Statistics used by more than one part of the analysis."""
