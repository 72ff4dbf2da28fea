"""While a system is on its banks: `end_known` (how well its end is known); `unheard` (what of a system stays known where nothing is heard of it any more)."""
