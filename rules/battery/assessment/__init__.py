"""What all that was seen of a bank means: `bank` is a bank whole.

Read in this order: `evidence` (everything a judgement rests on),
`fusion` (age and all discharges as one), `life` (how long others of its kind live), `replacement` (the three dates), `expected_cost` (the cheapest day), `too_small` (what renewing like for like
does not help), `would_tell` (what would tell where nothing can be told), `rests_on`, `settled` (what stands until there is a
reason), `next_discharge` (whether a discharge pays, when, and how deep), `charging`, `faults`, `due_tests`, `findings` (how the bank
is kept, and signs that something is wrong), `runtime_trend` (the card's own minutes), `bank`, `before` (what was expected of
a discharge before it began).
"""
