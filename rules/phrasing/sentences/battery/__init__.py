"""What is said of one bank by itself: `faults` (signs of a bad one, tests), `charging` (how it is kept), `discharge_log` (what a log of
one of its discharges tells), `log_mends` (what was mended in it), `would_tell` (what
would tell, and what helps where it is too small), `next_discharge` (whether a discharge pays).
"""
