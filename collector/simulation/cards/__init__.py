"""Simulated cards: `card` (what an honest one says), `faulty_cards` (how cards lie), `agent` (the UDP socket),
`secured` (SNMPv3 before it), `notices` (notifications).
"""
