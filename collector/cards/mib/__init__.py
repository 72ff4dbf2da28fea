"""The UPS MIB (RFC 1628): `upsmib` (the table), `capability` (what a card holds, and where), `wire_values` (what stood
on the wire, as values to keep), `correction_set` (what was learnt of a card), `wire_number` (one value by itself), `decode` (all of them to a reading),
`repeats` (parts of a reading that said nothing new), `moved` (a reading in which only measurements did), `interpretation` (the same for values that a store kept).
"""
