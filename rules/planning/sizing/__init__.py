"""How large a replacement should be: `units`, `bank`, `replacement` (of a system as it is), `retirement` (may a unit
go).
"""
