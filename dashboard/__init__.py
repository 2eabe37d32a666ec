"""Pictures, pages and reports. Computes nothing."""
