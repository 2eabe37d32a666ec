"""The report that goes with the car: a page each for owner, work order and warranty file."""
