"""A discharge as it was logged, made fit to be judged.

Read in this order: `columns` (a log as it was written down), `times_on_bank` (each is a discharge of its own),
`log_doubts` (columns changed over, meters that stand still), `clean_discharge` (what is judged, and what of the bank has
to be known), `bank_power` (what a cell gives), `log`.
"""
