"""All of a network card, from the wire to a reading. Reads only: nothing here can set anything on a card.

Floors, from the ground up: `snmp` (the protocol; knows no word of units), `mib` (RFC 1628 and what a reading means),
`corrections` (what a card gets wrong, learnt from evidence), `polling` (when and how a card is read), `traps` (what it
sends unasked), `commissioning` (found, looked at and confirmed by a person).
"""
