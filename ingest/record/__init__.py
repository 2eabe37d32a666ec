"""Live recording: the journal first, then the run folder, the test plan, and a replay of it all."""
