"""Control events: what was noted of the lever and the rest; `controls.read_events` is the door."""
