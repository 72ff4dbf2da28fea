"""The judgement: what readings mean. Values in, values out; no I/O, no clock, no randomness without a seed.

Floors, from the ground up; imports run downward only, and a contract holds that:

1. `values`       what has no subject: plain values as JSON and back
2. `plant`        what is installed, and one reading of one unit
3. `statistics`   trends, seasons and steps of any series
4. `generator`    what fed a supply after an outage; test runs of generating sets
5. `battery`      one lead-acid bank: its physics, its discharges, its assessment
6. `system`       units in parallel: sharing, redundancy, hold-up, requirements
7. `planning`     plans played out before anybody touches a switch
8. `alarms`       what can be wrong, how it lives, what belongs to one cause
9. `monitor`      the quick door: one sample in, changes out
10. `phrasing`    sentences, numbers and days
"""
