"""The load a system must be ready for, as it was read.

Read in this order: `peaks` and `usual` (values), `codes` (a load in 16 bits), `quarters` (of an hour), `record` (30 days of quarters of an hour, ten years
of days), `step` (a lasting step of it), `season` (two years that agree).
"""
