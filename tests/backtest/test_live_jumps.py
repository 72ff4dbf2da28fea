"""How far the end told of a running discharge moves between two readings, over 500 simulated discharges.

`pytest -s tests/backtest/test_live_jumps.py` prints the count. What was believed before each may be wrong; from a tenth
of the run on the end may move between two judgements, ten seconds apart, by no more than its own 90 % interval.
"""

from __future__ import annotations

from tests.backtest.live_plays import play

DISCHARGES = 500


def test_the_end_told_never_jumps_by_more_than_its_interval() -> None:
    plays = [play(seed) for seed in range(DISCHARGES)]
    pairs = sum(len(one.pairs) for one in plays)
    jumped = [one.seed for one in plays if one.jumps]
    left = sum(one.left_the_interval for one in plays)
    early = sum(one.end_s < told.low_s for one in plays for told, _ in one.pairs)
    inside = sum(told.low_s <= one.end_s <= told.high_s for one in plays for told, _ in one.pairs)
    print(
        f"\n{DISCHARGES} discharges, {pairs} pairs of judgements: the end moved by more than its interval in {len(jumped)} "
        f"({jumped}), out of the interval told before in {left}; end inside {inside / pairs:.0%}, before the low end "
        f"{early / pairs:.0%}"
    )
    assert pairs >= 8 * DISCHARGES
    assert not jumped
