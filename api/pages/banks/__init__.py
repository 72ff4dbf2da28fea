"""Which bank fails next: `section`, `capacity_river` (capacity over the years)."""
