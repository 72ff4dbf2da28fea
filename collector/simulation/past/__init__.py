"""Years of readings behind: `idle_readings` (units at rest), `generate` (of `episodes`, each `played`), `records` (discharges as evidence),
`downtime_gap` (the time in which it was stopped).
"""
