"""How long a system holds: `sentences`, `section`, `depth`, `basis` (what it rests on), `minute_graph`; `outage`,
`outage_graph`, `unit_tracks`, `lanes` (while it is on its banks), `last_call` (for its generator), `mains_return`, `score` (how good forecasts were).
"""
