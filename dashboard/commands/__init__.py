"""The commands of `lukewarm.py`: parse, call, print; everything heavy is imported inside."""
