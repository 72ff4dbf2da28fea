"""Runs of a generator on load: what counts as its test, what the cards see of its load, and what is said of it."""

from __future__ import annotations

from datetime import timedelta

import pytest

from rules.generator.outage_source import SetWord
from rules.generator.test_runs import Seen, SetRun, running_since, runs, set_test, taken_w
from rules.phrasing.reasons import say
from rules.plant.reading import (
    BatteryReading,
    InputLine,
    InputReading,
    OutputLine,
    OutputReading,
    OutputSource,
    Reading,
    Stamp,
)
from tests.rules.generator.test_outage_source import after
from tests.rules.sample_plants import NOON

DAY_S = 86_400.0
RATING_W = 80_000.0


def unit(
    name: str,
    at_s: float,
    *,
    source: OutputSource = OutputSource.NORMAL,
    input_w: tuple[float | None, ...] = (None, None, None),
    output_w: float = 1000.0,
    current_a: float | None = None,
) -> Reading:
    return Reading(
        name,
        Stamp(after(at_s), at_s, "run"),
        battery=BatteryReading(current_a=current_a),
        input=InputReading(lines=tuple(InputLine(n, power_w=w) for n, w in enumerate(input_w, start=1))),
        output=OutputReading(source, 50.0, tuple(OutputLine(n, 230.0, 4.0, output_w) for n in (1, 2, 3))),
    )


@pytest.mark.parametrize(
    ("run", "counts"),
    [
        (SetRun(after(-86_400.0), 2000.0, 30_000.0), True),
        (SetRun(after(-86_400.0), 1000.0, 30_000.0), False),
        (SetRun(after(-86_400.0), 2000.0, 10_000.0), False),
        (SetRun(after(-86_400.0), 2000.0, None), True),
    ],
)
def test_what_counts_as_a_test_on_load(run: SetRun, counts: bool) -> None:
    assert (set_test([run], 80_000.0, NOON).last is not None) == counts


def test_a_test_long_ago_is_overdue() -> None:
    found = set_test([SetRun(after(-40 * 86_400.0), 2000.0, 30_000.0)], 80_000.0, NOON)
    assert found.overdue
    assert set_test([], 80_000.0, NOON).overdue


def test_a_unit_takes_its_input_power_and_without_one_at_least_what_it_gives() -> None:
    assert taken_w(unit("A1", 0.0, input_w=(1200.0, 1100.0, 1300.0))) == 3600.0
    assert taken_w(unit("A1", 0.0, input_w=(1200.0, None, 1300.0))) == 3000.0
    assert taken_w(unit("A1", 0.0, source=OutputSource.BATTERY)) == 0.0
    assert taken_w(unit("A1", 0.0, current_a=12.0)) == 0.0, (
        "the bank still gives part of it while it walks in"
    )
    assert taken_w(unit("A1", 0.0, source=OutputSource.NONE)) is None


def test_what_the_cards_see_is_a_mean_over_the_run_in_which_silence_counts_nothing() -> None:
    seen = Seen(NOON, NOON)
    for at_s in (0.0, 50.0):
        seen = seen.after(unit("A1", at_s, input_w=(2000.0, 2000.0, 2000.0)))
    # 6 kW for 50 s, and for the 60 s that the last reading counts for; then the card is silent until 200 s
    assert seen.upto(after(200.0)).mean_w == pytest.approx(6000.0 * 110.0 / 200.0)


def test_a_run_lasts_from_the_first_word_that_it_carries_to_the_first_that_it_does_not() -> None:
    words = [
        SetWord(after(0.0), True, False),
        SetWord(after(60.0), True, True, 20_000.0),
        SetWord(after(1060.0), True, True, 40_000.0),
        SetWord(after(2060.0), True, False),
        SetWord(after(2200.0), False, False),
    ]
    # 20 kW and 40 kW for 1000 s each
    assert runs(words, [Seen(after(60.0), after(2060.0), 2e7)]) == (
        SetRun(after(60.0), 2000.0, 30_000.0, 1e4),
    )
    assert running_since(words[:3]) == after(60.0)
    assert running_since(words) is None


def test_a_load_that_the_cards_cannot_see_whole_is_said_so_and_counts_by_its_length() -> None:
    run = SetRun(after(-5 * DAY_S), 2000.0, None, 8000.0)
    found = set_test([run], RATING_W, NOON)
    assert found.last == run.at
    assert "of its load the cards see but a part: 8 kW, 10% of rating; whether it reached 30 %" in say(
        found.because
    )


def test_a_later_run_that_fell_short_is_said_beside_the_last_that_counted() -> None:
    good = SetRun(after(-20 * DAY_S), 2000.0, 30_000.0)
    light = SetRun(after(-2 * DAY_S), 2000.0, 12_000.0)
    found = set_test([good, light], RATING_W, NOON)
    assert found.last == good.at
    assert "carried 12 kW, 15% of rating; 30 % are asked" in say(found.because)
    assert "took 10 min; 30 are asked" in say(set_test([SetRun(NOON, 600.0, None)], RATING_W, NOON).because)


def test_a_set_that_was_never_seen_on_load_is_due_its_interval_after_the_site_began_to_tell() -> None:
    month = timedelta(days=31)
    young = set_test([], RATING_W, NOON, month, heard_since=NOON - timedelta(days=3))
    assert (young.overdue, young.due) == (False, NOON + timedelta(days=28))
    assert set_test([], RATING_W, NOON, month, heard_since=NOON - timedelta(days=32)).overdue
    untold = set_test([], RATING_W, NOON)
    assert not untold.heard
    assert "never seen. Nothing tells of its runs." in say(untold.because)
