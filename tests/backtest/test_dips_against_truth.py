"""Two hundred random sequences of outages, tests and partial recharges, judged beside the bank's own truth.

`pytest -s tests/backtest/test_dips_against_truth.py` prints what was found, in four to five minutes. The aim is the
truth inside the 90 % interval in 88 %, and nothing surely wrong; it is not reached yet, so the test holds what is.
"""

from __future__ import annotations

from pathlib import Path
from statistics import fmean

from tests.backtest.dips import judged

SEQUENCES = 200


async def test_capacity_after_dips_and_partial_recharges_beside_the_truth(tmp_path: Path) -> None:
    found = [one for seed in range(SEQUENCES) if (one := await judged(seed, tmp_path)) is not None]
    inside = fmean(one.inside for one in found)
    error = fmean(abs(one.middle - one.truth) for one in found)
    sure = [one.seed for one in found if one.falsely_sure]
    print(
        f"\n{len(found)} of {SEQUENCES} judged; truth inside the 90 % interval in {100 * inside:.0f} %; "
        f"mean error {100 * error:.1f} points; surely wrong: {sure}"
    )
    assert len(found) >= 0.95 * SEQUENCES
    assert inside >= 0.80
    assert len(sure) <= 10
