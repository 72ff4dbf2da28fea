"""How well the end of a running discharge is known, as a word that people can act by."""

from __future__ import annotations

from typing import Final

from rules.system.state import HoldUp
from rules.values.verdict import EndKnown

KNOWN_FROM: Final = 0.1
"""Part of the whole run, by its median, from which on it is said how well its end is known."""
HALF_WIDTHS: Final = ((0.1, EndKnown.CLOSELY), (0.25, EndKnown.FAIRLY), (0.5, EndKnown.ROUGHLY))
"""Half the 90 % interval of the end as part of the time left, and the word for it. A choice: what is off by more than half of
what is left is no figure to plan by."""
CLOSE_S: Final = 60.0
"""A half interval of a minute is closely known, however little is left."""


def end_known(now: HoldUp, since_s: float) -> EndKnown | None:
    """Return how well the end is known, from a tenth of the run on; None before, and where no end is foretold.

    `now`: what is left, after `since_s` on the banks.
    """
    low, median, high = now.low_s, now.median_s, now.high_s
    if low is None or median is None or high is None or now.ended_by is None:
        return None
    if since_s < KNOWN_FROM * (since_s + median):
        return None
    half = 0.5 * (high - low)
    if half <= CLOSE_S:
        return EndKnown.CLOSELY
    return next((word for most, word in HALF_WIDTHS if half <= most * median), EndKnown.HARDLY)
