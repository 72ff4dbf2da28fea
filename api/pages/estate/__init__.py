"""The first screen: all six questions answered in a row a system, from one system to a thousand.

Read in this order: `row_fan` (the small drawing of question 1), `cells` (the answers in a word), `rows` (a line a system),
`tall_rows` (up to three systems, each with its reasons), `heard_sites` (of a centre: which are heard), `heads` (the six questions over the columns), `tally` (how many
stand how, in a sentence), `finding` (the form and the parts to be asked for), `first_days` (the steps
that make the rest known), `site_list` (a large estate, site by site).
"""
