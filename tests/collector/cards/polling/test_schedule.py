"""Polls keep their grid, whatever comes early or late; starts are spread; early polls are bounded."""

from itertools import pairwise
from statistics import mean

from hypothesis import given, settings
from hypothesis import strategies as st

from collector.cards.mib.upsmib import TablePart
from collector.cards.polling.schedule import (
    EARLY_AT_ONCE,
    EARLY_EVERY_S,
    Cadence,
    Turn,
    after_answer,
    after_early,
    after_silence,
    due_after,
    early_s,
    first_turn,
    following,
    paced,
    parts_due,
    phases_for,
)

CADENCE = Cadence()


def test_a_thousand_systems_start_spread_over_one_period() -> None:
    due = [first_turn(f"system {n}", CADENCE, 100.0).due_s - 100.0 for n in range(1000)]
    assert min(due) >= 0.0
    assert max(due) <= CADENCE.every_s
    assert abs(mean(due) - CADENCE.every_s / 2) < 0.15  # 3 sigma of the mean of 1000 even draws is 0.14
    fullest = max(sum(low <= d < low + 0.5 for d in due) for low in (0.5 * k for k in range(10)))
    assert fullest < 140  # 100 expected in each half second, binomial sd 9.5


def test_systems_go_in_twenty_rounds_a_period_at_every_cadence() -> None:
    turns = [first_turn(f"system {n}", CADENCE, 100.0) for n in range(1000)]
    assert len({round(turn.due_s, 6) for turn in turns}) == 20
    fast = [paced(turn, CADENCE, 100.0, urgent=True) for turn in turns]
    assert len({round(turn.due_s, 6) for turn in fast}) == 20
    rounds = sorted({round(turn.due_s, 6) for turn in fast})
    assert {round(b - a, 6) for a, b in pairwise(rounds)} == {0.1}


def test_cards_of_one_system_are_due_at_the_same_moments_and_meet_again_after_an_outage() -> None:
    one, other = first_turn("Works", CADENCE, 100.0), first_turn("Works", CADENCE, 103.3)
    assert (other.due_s - one.due_s) % CADENCE.every_s in {0.0, CADENCE.every_s}
    fast = [paced(turn, CADENCE, turn.due_s - 2.5, urgent=True) for turn in (one, other)]
    calm = [following(paced(turn, CADENCE, 200.0, urgent=False), CADENCE, 201.0) for turn in fast]
    assert calm[0].due_s == calm[1].due_s


def test_the_first_poll_reads_everything_and_the_next_only_what_moves() -> None:
    turn = first_turn("N1", CADENCE, 0.0)
    everything = parts_due(turn, CADENCE, turn.due_s)
    assert everything == frozenset(TablePart)
    turn = after_answer(turn, everything, turn.due_s)
    assert parts_due(turn, CADENCE, turn.due_s + 5.0) == {TablePart.LIVE}
    assert parts_due(turn, CADENCE, turn.due_s + 60.0) == {TablePart.LIVE, TablePart.SLOW}
    assert parts_due(turn, CADENCE, turn.due_s + 86400.0) == frozenset(TablePart)


def test_what_is_read_rarely_is_read_at_once_when_an_outage_is_over() -> None:
    turn = after_answer(first_turn("N1", CADENCE, 0.0), frozenset(TablePart), 10.0)
    hurried = paced(turn, CADENCE, 20.0, urgent=True)
    assert parts_due(hurried, CADENCE, 22.0) == {TablePart.LIVE}
    assert parts_due(paced(hurried, CADENCE, 30.0, urgent=False), CADENCE, 35.0) == {
        TablePart.LIVE,
        TablePart.SLOW,
    }


def test_on_battery_the_pace_is_two_seconds_from_the_moment_it_is_wanted() -> None:
    turn = paced(Turn(105.0), CADENCE, 100.5, urgent=True)
    assert turn.due_s == 102.0
    assert following(turn, CADENCE, 102.1).due_s == 104.0


def test_a_late_poll_keeps_the_grid() -> None:
    assert following(Turn(100.0), CADENCE, 117.0).due_s == 120.0


def test_a_poll_before_its_time_keeps_the_due_time() -> None:
    turn = after_early(Turn(105.0), 101.0)
    assert following(turn, CADENCE, 101.2).due_s == 105.0
    assert following(turn, CADENCE, 105.2).due_s == 110.0, (
        "it was under way at 105: that period has been read"
    )


def test_a_burst_of_early_polls_is_bounded() -> None:
    turn, now_s, polls = Turn(1e9), 1000.0, 0
    while early_s(turn) <= now_s:
        turn, polls = after_early(turn, now_s), polls + 1
    assert polls == EARLY_AT_ONCE
    assert early_s(turn) == now_s + EARLY_EVERY_S


def test_a_card_that_comes_back_is_asked_again_what_it_is() -> None:
    turn = after_answer(Turn(0.0), frozenset(TablePart), 0.0)
    assert parts_due(after_silence(turn), CADENCE, 5.0) == frozenset(TablePart)


@settings(max_examples=200, deadline=None)
@given(st.floats(0, 1e7), st.floats(0.1, 600), st.floats(0, 1, exclude_max=True))
def test_the_next_due_time_lies_after_now_and_at_most_one_period_away(
    now_s: float, period_s: float, phase: float
) -> None:
    due_s = due_after(now_s, period_s, phase)
    rounding_s = 1e-5 * period_s + 1e-8 * now_s
    assert now_s - rounding_s <= due_s <= now_s + period_s + rounding_s
    again_s = due_after(due_s, period_s, phase)
    assert abs(again_s - due_s - period_s) <= rounding_s, "a due time is never its own successor"


def test_a_few_cards_are_read_in_few_rounds_and_many_in_twenty() -> None:
    wanted = {0: 1, 1: 1, 50: 1, 51: 2, 100: 2, 300: 6, 950: 19, 951: 20, 1000: 20}
    assert {cards: phases_for(cards) for cards in wanted} == wanted
    for cards in (100, 300):
        due = {first_turn(f"system {n}", CADENCE, 100.0, phases_for(cards)).due_s for n in range(cards)}
        assert len(due) == phases_for(cards)
        assert all(100.0 < at_s <= 105.0 for at_s in due)
