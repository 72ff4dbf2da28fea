"""Polls keep their grid, spread their starts, and leave silent cards more and more alone."""

from statistics import mean

from hypothesis import given, settings
from hypothesis import strategies as st

from collector.schedule import (
    SLOWEST_WHEN_SILENT_S,
    Cadence,
    Turn,
    after_answer,
    after_silence,
    first_turn,
    following,
    parts_due,
    period_s,
)
from collector.snmp.upsmib import Part

CADENCE = Cadence()


def test_a_thousand_cards_start_spread_over_one_period() -> None:
    due = [first_turn(f"card {n}", CADENCE, 100.0).due_s - 100.0 for n in range(1000)]
    assert min(due) >= 0.0
    assert max(due) < CADENCE.every_s
    assert abs(mean(due) - CADENCE.every_s / 2) < 0.15  # 3 sigma of the mean of 1000 even draws is 0.14
    fullest = max(sum(low <= d < low + 0.5 for d in due) for low in (0.5 * k for k in range(10)))
    assert fullest < 140  # 100 expected in each half second, binomial sd 9.5


def test_the_first_poll_reads_everything_and_the_next_only_what_moves() -> None:
    turn = first_turn("N1", CADENCE, 0.0)
    everything = parts_due(turn, CADENCE, turn.due_s)
    assert everything == frozenset(Part)
    turn = after_answer(turn, everything, urgent=False, read_s=turn.due_s)
    assert parts_due(turn, CADENCE, turn.due_s + 5.0) == {Part.LIVE}
    assert parts_due(turn, CADENCE, turn.due_s + 60.0) == {Part.LIVE, Part.SLOW}
    assert parts_due(turn, CADENCE, turn.due_s + 86400.0) == frozenset(Part)


def test_on_battery_the_pace_is_two_seconds() -> None:
    turn = after_answer(Turn(10.0), frozenset(Part), urgent=True, read_s=10.0)
    assert following(turn, CADENCE, "N1", 10.1)[0].due_s == 12.0


def test_a_late_poll_keeps_the_grid_and_missed_ones_are_counted() -> None:
    turn = after_answer(Turn(100.0), frozenset(Part), urgent=False, read_s=100.0)
    after, missed = following(turn, CADENCE, "N1", 117.0)
    assert missed == 3  # those due at 105, 110 and 115
    assert after.due_s == 120.0


def test_a_card_that_stays_silent_is_asked_less_often_but_never_given_up() -> None:
    turn = Turn(0.0)
    periods = []
    for _ in range(20):
        turn = after_silence(turn, urgent=False)
        periods.append(period_s(turn, CADENCE, "N1"))
    assert periods[:3] == [5.0, 5.0, 5.0]
    assert max(periods) <= SLOWEST_WHEN_SILENT_S * 1.1
    assert len({round(p, 6) for p in periods[-5:]}) == 5  # each wait its own, so that cards drift apart


def test_a_silent_card_of_a_system_on_battery_is_asked_at_full_pace() -> None:
    turn = Turn(0.0, silent_polls=50, urgent=True)
    assert period_s(turn, CADENCE, "N1") == CADENCE.on_battery_every_s


def test_a_card_that_comes_back_is_asked_again_what_it_is() -> None:
    turn = after_answer(Turn(0.0), frozenset(Part), urgent=False, read_s=0.0)
    turn = after_silence(turn, urgent=False)
    assert parts_due(turn, CADENCE, 5.0) == frozenset(Part)


@settings(max_examples=100, deadline=None)
@given(st.floats(0, 1e6), st.floats(0, 1e4), st.integers(0, 30), st.booleans())
def test_the_next_turn_lies_after_now_and_at_most_one_period_away(
    due_s: float, late_s: float, silent: int, urgent: bool
) -> None:
    turn = Turn(due_s, urgent=urgent, silent_polls=silent)
    step_s = period_s(turn, CADENCE, "N1")
    after, _ = following(turn, CADENCE, "N1", due_s + late_s)
    assert due_s + late_s - 1e-3 <= after.due_s <= due_s + late_s + step_s + 1e-3
