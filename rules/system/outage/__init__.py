"""While a system is on its banks: `end_known` (how well its end is known)."""
