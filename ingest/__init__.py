"""From bytes to a run: files, ports, clocks, units. Knows nothing of heaters."""
