"""A shutdown or an outage played out.

Read in this order: `supply` (what mains and generator do in a scenario: stretches on the banks), `scenario` (what is
asked), `load_ahead` (what will be asked of the banks), `play`, `outcome` (what came of its draws), `result` (time line,
verdict, margin), `shedding`
(which loads to drop, in which order, by when), `shed_now` (as people are told of it while an outage lasts), `remedy` (what would carry a scenario that fails), `estate` (a
scenario for many systems), `shutdown` (with the generator behind it and without), `signed_plan` (a plan as it was signed, and
its abort criteria), `signed_course` (what came of it).
"""
