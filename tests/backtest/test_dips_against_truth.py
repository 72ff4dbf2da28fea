"""Two hundred random sequences of outages, tests and partial recharges, judged beside the bank's own truth.

`pytest -s tests/backtest/test_dips_against_truth.py` prints what was found, in four to five minutes: the truth has to
lie inside the 90 % interval in 88 %, and nothing may be surely wrong. The rules were made better on the first 90
sequences; the others were only looked at when that was done.
"""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from statistics import fmean, median

from tests.backtest.dips import Judged, judged

SEQUENCES = 200
DEPTHS = (0.0, 0.2, 0.35, 0.5, 0.7, 2.0)
"""Of the longest time on the bank, over what the bank gives."""


def _of(part: list[Judged]) -> str:
    """Return how often the truth is inside, and the median width of the interval in points."""
    width = median(one.high - one.low for one in part)
    return f"inside {100 * fmean(one.inside for one in part):.0f} %, median width {100 * width:.1f} points"


async def test_capacity_after_dips_and_partial_recharges_beside_the_truth(tmp_path: Path) -> None:
    found = [one for seed in range(SEQUENCES) if (one := await judged(seed, tmp_path)) is not None]
    inside = fmean(one.inside for one in found)
    error = fmean(abs(one.middle - one.truth) for one in found)
    sure = [one.seed for one in found if one.falsely_sure]
    for low, high in pairwise(DEPTHS):
        part = [one for one in found if low <= one.deepest < high]
        print(f"\ndeepest {low:g} to {high:g}: {len(part)}, " + (_of(part) if part else "none"), end="")
    print(
        f"\n{len(found)} of {SEQUENCES} judged; truth inside the 90 % interval in {100 * inside:.0f} %; "
        f"mean error {100 * error:.1f} points; surely wrong: {sure}"
    )
    assert len(found) >= 0.95 * SEQUENCES
    assert inside >= 0.88
    assert not sure
