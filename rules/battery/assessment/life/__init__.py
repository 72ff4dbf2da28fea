"""How long blocks live before their own discharges are counted.

Read in this order: `by_class` (their class and their rooms), `shared_life` (what others say that share type, site, place or
delivery), `earlier_blocks` (what those showed that were here before).
"""
