"""What the lever does to the outlet, studied once for all its figures; `study` is the door."""
