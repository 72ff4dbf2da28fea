"""How one alarm lives (IEC 62682, ISA-18.2): `states` (the transition table), `alarm` (one alarm, one step of it),
`course` (what its condition and time do to it), `operators` (what people do to it).
"""
