"""What a page shows, from results and readings to components."""
