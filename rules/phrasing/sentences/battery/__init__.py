"""What is said of one bank by itself: `faults` (signs of a bad one, tests), `charging` (how it is kept), `would_tell` (what
would tell, and what helps where it is too small).
"""
