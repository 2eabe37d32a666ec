"""What a run shows besides its figures: signs seen, or not seen."""
