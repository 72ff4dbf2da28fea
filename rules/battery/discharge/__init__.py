"""What one discharge shows, whole or in part, ended or running.

Read in this order: `record` (a log, made fit to be judged), `contradictions`, `missing_charge` (how full the bank was),
`curve` (the expected course of a cell), `posterior`, `likelihood` (what its rows say of health), `capacity_estimate`
(what is said of the bank), `discharge_end` (when it comes to its end), `declared_otherwise` (other cells or strings that would
explain it as well), `capacity` (how much the bank gives),
`resistance`, `expected` (what its volts were expected to be), `evidence` (what it showed, as it is kept), `outcome`, `estimate` and `live` (one discharge ended, or
running).
"""
