"""From logged numbers to stored units with their sources of error: one module a kind of sensor."""
