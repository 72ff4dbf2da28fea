"""What a card gets wrong, learnt from evidence: corrected with a reason, or not known; undecided stays undecided.

In reading order: `sample` (what the learners look at), `rests` (which polls they pass over), `load` (scales of the
output, by each `load_sample`), `bank` (the battery group), `input` (input and bypass), `source` (how it is numbered), `lines` (rows
without a line), `clock` (standstill, restarts), `conflicts` (what contradicts itself), `knowledge` (all of it
together, remembered and forgotten), `learning` (for all cards of the estate, kept in the ledger).
"""
