"""An estate that answers SNMP on loopback, with physics of its own and a known truth.

The judge must not be examined by itself: nothing here imports a rule about batteries or systems but the score of
forecasts. Read in this order: `plant` (its physics), `cards` (what cards say of it, and how they lie), `scenario`
(invented sites, and what happens to them), `past` (two years of readings behind), `estate` (all of it running),
`scorekeeper` and `score_file` (how good predictions were, kept over restarts).
"""
