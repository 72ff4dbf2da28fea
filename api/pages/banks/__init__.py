"""Which bank fails next: `section`, `capacity_river` (capacity over the years), `past_test` (the form that brings one), `discharges` (as they were read)."""
