"""Which cause explains all the figures together, and which check to do next."""
