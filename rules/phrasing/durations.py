"""Times as the verdicts say them: what holds is rounded down, what is needed up, and never so that they contradict."""

from __future__ import annotations

from collections.abc import Callable
from math import ceil, floor
from typing import Final

_GRAIN_S: Final = 1e-6  # what a float may be off by before it counts as more


def minutes(seconds: float) -> str:
    """Return a time in words, rounded down: 75 s, 14.6 min, 3.2 h."""
    return _in_words(seconds, floor)


def minutes_up(seconds: float) -> str:
    """Return a time that is needed or lacks in words, rounded up, as it is everywhere: 76 s, 14.7 min, 3.3 h."""
    return _in_words(seconds - _GRAIN_S, ceil)


def _in_words(seconds: float, whole: Callable[[float], int]) -> str:
    if seconds < 120.0:
        return f"{whole(seconds)} s"
    if seconds < 7200.0:
        return f"{whole(seconds / 6.0) / 10.0:.1f} min"
    return f"{whole(seconds / 360.0) / 10.0:.1f} h"


def compared(held_s: float, needed_s: float) -> tuple[str, str]:
    """Return what holds and what is needed in words that never contradict which of them is more.

    What holds is rounded down and what is needed up, in the same grain; where that would turn enough into too little,
    both are said in whole seconds, and in the last second both rounded down.
    """
    if held_s < needed_s:
        return minutes(held_s), minutes_up(needed_s)
    grain_s = 1.0 if needed_s < 120.0 else 6.0 if needed_s < 7200.0 else 360.0
    if floor(held_s / grain_s) >= ceil((needed_s - _GRAIN_S) / grain_s):
        return minutes(held_s), minutes_up(needed_s)
    needed = ceil(needed_s - _GRAIN_S)
    return f"{floor(held_s)} s", f"{needed if needed <= held_s else floor(needed_s)} s"
