"""What is asked of the past: `queries` (percentiles, records of discharges), `unit_past` (how a unit
went), `imported` (what of it was brought in files)."""
