"""An estate as rows: the six questions answered for each system in a line, and which of the lines are asked for.

Read in this order: `brief` (words for a cell), `system_row` (one system's line), `site_rows` (the lines of an estate, site by site, the gravest first,
with what its readers asked to see).
"""
