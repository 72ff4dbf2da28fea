"""What is done to the stores while they are in use: `clock_trust` (whether anything may be let go), `exact_retention`
(what stays exact for ever), `housekeeping` (folding and letting go), `backup`, `export`.
"""
