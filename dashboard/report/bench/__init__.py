"""The report of a part on the bench; `page` is the door."""
