"""The coolant's course: warming, where the thermostat opens, its plateau; `study` is the door."""
