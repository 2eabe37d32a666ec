"""The choice of limits: rules, costs, trials on cars held out, and what to do with few labels."""
