"""The judgement: what readings mean. Values in, values out; no I/O, no clock, no randomness without a seed.

Read in this order:

1. `rules.estate`     what is installed: sites, supplies, systems, units (positions), banks, over time
2. `rules.reading`    one reading of one unit in SI units, with its doubts
3. `rules.verdicts`   what the rules say, as values the page and the HTTP interface show as they are
4. `rules.battery`    runtime, discharge, capacity, ageing and charging of a lead-acid bank; `rules.judge`: a bank whole
5. `rules.parallel`   units that share one output; `peers`: what one tells of another; `siblings`, `peaks`, `redundancy`, `pairing` beside it
6. `rules.hold_up`    banks played to the end of a system's hold-up; `autonomy`: sampled, `answered` before; `requirements`: is it enough;
   `would_tell`: what would tell where that cannot be told
7. `rules.assess`     a system whole; `generator`: what fed it when the supply came back; `transfers`: which units late;
   `set_runs`; `trend`, `load_step`, `season`, `runtime_trend`
8. `rules.watch`      the quick door: one sample in, changes out; `calm`: which need not go in; `moving`: when a clock was set
9. `rules.alarms`     the alarms' catalogue, life cycle and grouping
10. `figures`, `words`   how figures and days are written
11. `rules.planning`  ride-through, isolation, shedding, sizing, replacement programme
"""
