"""Limits of all figures chosen together, for what the run gets; the door is `together`."""
