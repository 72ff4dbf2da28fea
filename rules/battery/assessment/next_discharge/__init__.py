"""The next discharge of a bank: whether one pays, when, and how deep.

Read in this order: `record_error` (how far off what a discharge of a depth shows is), `outlook` (the days to order that its
possible records would lead to), `advice` (the one that pays, or why none does), `advised` (it as reasons).
"""
