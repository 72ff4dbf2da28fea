"""What one discharge shows, whole or in part, ended or running.

Read in this order: `columns` (a log as it was written down), `times_on_bank` (each is a discharge of its own),
`log_doubts`, `log` (made fit to be judged), `contradictions`, `missing_charge` (how full the bank was), `curve`
(the expected course of a cell), `posterior`, `likelihood` (what its rows say of health), `capacity` (how much the
bank gives), `resistance`, `evidence` (what it showed, as it is kept), `outcome`, `estimate` and `live` (one
discharge ended, or running).
"""
