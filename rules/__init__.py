"""The judgement: what readings mean. Values in, values out; no I/O, no clock, no randomness without a seed.

Read in this order:

1. `rules.estate`    what is installed: sites, supplies, systems, units (positions), banks, over time
2. `rules.reading`   one reading of one unit in SI units, with its doubts
3. `rules.verdicts`  what the rules say, as values the page and the API show as they are
4. `rules.battery`   runtime, discharge, capacity, ageing and charging of a lead-acid bank
5. `rules.parallel`  units that share one output: shares, phases, redundancy
6. `rules.watch`     the quick door: one sample in, changes out
7. `rules.alarms`    the alarms' catalogue, life cycle and grouping
8. `rules.planning`  ride-through, isolation, shedding, sizing, replacement programme
"""
