"""What is written down of a drive: sensors, notes, and the run folder."""
