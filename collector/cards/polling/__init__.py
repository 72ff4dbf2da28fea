"""When and how a card is read: `urgency` (how often), `schedule` (what is due when), `reader` (a card whole, in as few
requests as it bears), `trace` (its last polls), `poller` (kept being read).
"""
