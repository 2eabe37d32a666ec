"""What a car's control units are asked and say: `values` which, in what unit; `frames` how."""
