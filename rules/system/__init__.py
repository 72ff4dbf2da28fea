"""Units in parallel: what they carry, how long, and what of that can be lost.

Read in this order: `state` (what is said of a system, as the page and the HTTP interface show it), `work` (on a
unit, and what is left meanwhile), `parallel`
(units that share one output), `peers` (what one tells of another), `comparison` (what sets them apart), `partner`
(whether two still fit), `load` (what was asked, and its peaks),
`redundancy`, `hold_up` (banks played to the end), `answered` (a question that was answered
before), `requirements` (is it enough), `transfers` (which units came back late), `observation` (a system at a glance), `outage` (on its banks), `assessment` (a system
whole), `forecast_score` (how good forecasts were).
"""
