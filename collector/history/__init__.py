"""History of readings behind one interface, kept as the cards sent them.

Read in this order: `store` (the interface and its values), `buckets` (honest summaries of a span),
`chunk` (how columns of integers become few bytes), `sqlite` (the default store), `influx`.
"""
