"""A standby generator's times add up to what its nameplate says."""

import pytest

from collector.simulation.plant.supply import (
    FeedSource,
    SetPlant,
    SupplyPhase,
    SupplyPlant,
    SupplyState,
    after,
    mains_fails,
    mains_returns,
    time_to_carry_s,
)

SET = SetPlant("set", detect_s=5, attempts=3, crank_s=10, rest_s=15, fires_after_s=4, start_s=8, transfer_s=3)
SUPPLY = SupplyPlant("north", SET)


def seconds_until(
    source: FeedSource, state: SupplyState, dt_s: float = 0.5, most_s: float = 600.0
) -> float | None:
    t_s = 0.0
    while t_s < most_s:
        if state.source is source:
            return t_s
        state = after(SUPPLY, state, dt_s)
        t_s += dt_s
    return None


@pytest.mark.parametrize(
    ("fires_at", "want_s"), [(1, 5 + 4 + 8 + 3), (2, 5 + 25 + 4 + 8 + 3), (3, 5 + 50 + 4 + 8 + 3)]
)
def test_the_set_carries_after_detection_failed_cranks_run_up_and_transfer(
    fires_at: int, want_s: float
) -> None:
    lost = mains_fails(SupplyState(fires_at=fires_at))
    assert time_to_carry_s(SET, fires_at=fires_at) == want_s
    assert seconds_until(FeedSource.GENERATOR, lost) == pytest.approx(want_s, abs=0.5)


def test_a_set_that_never_fires_fails_after_its_last_attempt() -> None:
    state = after(SUPPLY, mains_fails(SupplyState(fires_at=None)), 5 + 3 * 10 + 2 * 15 + 1)
    assert (state.phase, state.attempt) == (SupplyPhase.FAILED, 3)
    assert seconds_until(FeedSource.GENERATOR, state) is None
    assert time_to_carry_s(SET, fires_at=None) is None


def test_one_long_step_equals_many_short_ones() -> None:
    long = after(SUPPLY, mains_fails(SupplyState(fires_at=2)), 33.0)
    short = mains_fails(SupplyState(fires_at=2))
    for _ in range(66):
        short = after(SUPPLY, short, 0.5)
    assert (long.phase, long.attempt) == (short.phase, short.attempt)
    assert long.phase_s == pytest.approx(short.phase_s)


def test_a_late_set_is_late_by_that_much() -> None:
    lost = mains_fails(SupplyState(fires_at=1, late_s=40.0))
    assert seconds_until(FeedSource.GENERATOR, lost) == pytest.approx(20 + 40, abs=0.5)


def test_returned_mains_is_taken_once_steady_with_a_break() -> None:
    carrying = after(SUPPLY, mains_fails(SupplyState()), 25.0)
    assert carrying.source is FeedSource.GENERATOR
    back = mains_returns(carrying)
    assert after(SUPPLY, back, SET.steady_s - 1).source is FeedSource.GENERATOR
    broken = after(SUPPLY, back, SET.steady_s + 1)
    assert broken.source is FeedSource.NOTHING
    assert after(SUPPLY, broken, SET.return_s).source is FeedSource.MAINS
    assert after(SUPPLY, broken, SET.return_s + SET.cool_s).phase is SupplyPhase.RESTING


def test_mains_that_returns_before_the_set_is_taken_at_once() -> None:
    cranking = after(SUPPLY, mains_fails(SupplyState(fires_at=3)), 12.0)
    back = after(SUPPLY, mains_returns(cranking), 1.0)
    assert (back.source, back.phase) == (FeedSource.MAINS, SupplyPhase.RESTING)


def test_a_supply_without_a_set_stays_dead() -> None:
    bare = SupplyPlant("bare")
    assert after(bare, mains_fails(SupplyState()), 1000.0).source is FeedSource.NOTHING
