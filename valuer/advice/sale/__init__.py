"""What to ask, what an offer is worth, what to write."""
