"""Runs against baselines and against each other: pure functions of the store's tables."""
