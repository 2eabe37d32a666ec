"""One page of the board a module."""
