"""Results, checks, comparisons and tunings as plain text, in SI or US units."""
