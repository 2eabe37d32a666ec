"""Parts on the bench: one part a module, with figures of their own; `parts` is the door."""
