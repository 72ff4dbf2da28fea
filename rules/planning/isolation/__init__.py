"""May a unit be taken out: `rows` (the single checks), `check` (all of them, and when), `unit_work` (work on it,
followed).
"""
