"""All that pages, HTTP, reports and commands show, made from a running service or from a data folder.

Read in this order: `sheet` (what the pages show, one frozen value), `sources` (how it is made of what the rules and
the collector keep), `sheet_source` (from the service), `stored_sheet` (from a data folder), `stored` and
`stored_source` (what a plan is played on when no service runs), `history_queries`, `alarm_quality`, `counting`,
`undelivered`, `wall_clock`.
"""
