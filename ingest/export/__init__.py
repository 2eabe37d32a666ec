"""What is written for other programs: readings with their controls, a store's tables."""
