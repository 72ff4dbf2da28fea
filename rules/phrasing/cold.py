"""How the coldest of a room is said: as what was seen, or as the assumption that it is."""

from __future__ import annotations

from rules.battery.model.size_factors import UNDER_DECLARED_K, ColdKnown


def the_cold(coldest_c: float, known: str) -> str:
    """Return a coldest in °C with where it comes from (`ColdKnown`), as it stands behind "in" or "for"."""
    if known == ColdKnown.ASSUMED:
        return f"the cold ({coldest_c:.0f} °C is assumed: of its room nothing is declared, and no year of it was measured)"
    if known == ColdKnown.DECLARED:
        return f"the cold ({coldest_c:.0f} °C is assumed: {UNDER_DECLARED_K:.0f} K under what is declared of its room)"
    return f"the coldest its room was seen to get, {coldest_c:.0f} °C"
