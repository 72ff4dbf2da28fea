"""Which bank fails next: `section`, `capacity_river` (capacity over the years), `next_discharge` (when it is tested next, and what that buys),
`past_test` (the form that brings one), `discharges` (as they were read), `table_trial` (a maker's table, tried)."""
