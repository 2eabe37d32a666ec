"""From a run to figures, verdict, causes, fleet, limits: pure functions, no files, no screens."""
