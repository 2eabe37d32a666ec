"""What a vehicle bus carries: `values` of control units, their `frames`, `traffic` in logs."""
