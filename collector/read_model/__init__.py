"""All that pages, HTTP, reports and commands show, made from a running service or from a data folder.

Read in this order: `sheet` (what the pages show, one frozen value), `source` (what it is made of, live or stored),
`sources` (how it is made of what the rules and the collector keep), `sheet_source` (what is so now), `counting`,
`telling` (who is on call, what did not arrive), `snapshot` (made whole, with the journal beside it), `stored` and `stored_source` (a data folder judged
again), `running` (what else is asked of a service), `answers` and `kept` (what answers are made of), `own_figures`,
`alarm_quality`, `wall_clock`; `rows` (the six questions answered in a line a system), `outages` (while
they last, and those of all years), `beginning` (what the first days are to bring), `history`; `centre` (what several sites say, joined).
"""
