"""Years of readings behind: `idle_readings` (units at rest), `generate`, `records` (discharges as evidence),
`downtime_gap` (the time in which it was stopped).
"""
