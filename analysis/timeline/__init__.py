"""What was going on when: one grid, states bin by bin, windows, and the levels held in them."""
