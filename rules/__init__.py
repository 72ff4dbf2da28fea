"""The judgement: what readings mean. Values in, values out; no I/O, no clock, no randomness without a seed.

Read in this order:

1. `rules.estate`    what is installed: sites, supplies, systems, units (positions), banks, over time
2. `rules.reading`   one reading of one unit in SI units, with its doubts
3. `rules.verdicts`  what the rules say, as values the page and the API show as they are
4. `rules.battery`   runtime, discharge, capacity, ageing and charging of a lead-acid bank
5. `rules.parallel`  units that share one output: load by board line, standing, shares;
   `rules.siblings` who stands apart, `rules.peaks` the load on record, `rules.redundancy` what is to spare
6. `rules.hold_up`   banks that end at different times, played; `rules.autonomy` sampled over what is believed
7. `rules.requirements` is it enough; `rules.generator` what came back; `rules.assess` a system as a whole
8. `rules.watch`     the quick door: one sample in, changes out
9. `rules.alarms`    the alarms' catalogue, life cycle and grouping
10. `rules.trend`    robust slopes and dates; `rules.planning` ride-through, isolation, shedding, sizing, programme
"""
