"""What is said of plans: `isolation` (may a unit be taken out) and `work` (on it); `ridethrough` (a scenario played out, a
shutdown signed), its `happenings`, `shedding`; `sizing` (what comes next), `programme` (what is due).
"""
