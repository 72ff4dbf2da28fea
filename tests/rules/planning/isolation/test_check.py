"""May a unit be taken out: rows, the answer, and when it would be yes."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from rules.battery.state import ShownToCarry
from rules.phrasing.reasons import say
from rules.planning.isolation.check import Isolation, Overall, isolation, with_newer
from rules.planning.isolation.rows import Confirmed, Facts, Result
from rules.plant.estate import Estate
from rules.plant.reading import BypassReading, OutputSource, Reading
from rules.system.assessment import task_of
from rules.system.hold_up.judgement import hold_ups
from rules.system.load.usual import Expected
from rules.system.observation import SystemView, glance
from rules.system.state import LineLoad
from rules.values.code import Code
from rules.values.reason import reason
from tests.rules.sample_plants import NOON, estate, known_banks, reading, view

HOUR = timedelta(hours=1)


def quarters(*watts: float) -> tuple[Expected, ...]:
    """Return an expectation of equal lines, one value an hour from noon."""
    return tuple(
        Expected(
            NOON + k * HOUR + q * timedelta(minutes=15), tuple(LineLoad(n, w, w / 0.95) for n in (1, 2, 3))
        )
        for k, w in enumerate(watts)
        for q in range(4)
    )


LIGHT = Facts(
    expected=quarters(4000.0, 4000.0, 4000.0),
    confirmed={"A1": Confirmed("R. Haugen", NOON), "A2": Confirmed("R. Haugen", NOON)},
)


def seen_from(readings: list[Reading], plant: Estate | None = None, **more: object) -> SystemView:
    quiet = [replace(r, card_alarms=r.card_alarms or ()) for r in readings]
    return view(plant or estate(2), quiet, **more)


def check(
    readings: list[Reading] | None = None, facts: Facts = LIGHT, hours: int = 2, plant: Estate | None = None
) -> Isolation:
    seen = seen_from(readings or [reading(n, (2000.0,) * 3) for n in ("A1", "A2")], plant)
    first = glance(seen)
    shown = ShownToCarry(NOON, 5000.0, 300.0)
    known = {k: replace(b, shown_to_carry=shown) for k, b in known_banks(seen.estate).items()}
    judged = hold_ups(task_of(seen, first), known, seed=1)
    return isolation(seen, glance(seen, judged), judged, "A1", NOON, NOON + hours * HOUR, facts)


def results(found: Isolation) -> dict[str, Result]:
    return {row.check: row.result for row in found.rows}


def test_all_that_can_be_seen_is_met() -> None:
    found = check()
    assert found.overall is Overall.MET, [r for r in found.rows if r.decides and r.result is not Result.MET]
    assert results(found)["synchronism"] is Result.CANNOT_BE_SEEN
    assert results(found)["permit"] is Result.PERSON
    assert found.safety == (reason(Code.SAFETY), reason(Code.ADVICE_ONLY))
    assert all(say(row.because) for row in found.rows)


def test_a_window_with_too_much_load_is_not_met_and_says_when_it_would_be() -> None:
    facts = replace(LIGHT, expected=quarters(9500.0, 9500.0, 3000.0, 3000.0, 3000.0, 9500.0))
    found = check(facts=facts)
    assert found.overall is Overall.NOT_MET
    assert results(found)["load_fits_window"] is Result.NOT_MET
    assert [(b.from_at, b.to_at) for b in found.met_between] == [(NOON + 2 * HOUR, NOON + 5 * HOUR)]


def test_a_gap_shorter_than_the_work_is_no_window() -> None:
    facts = replace(LIGHT, expected=quarters(9500.0, 3000.0, 9500.0))
    assert check(facts=facts).met_between == ()


def test_an_unknown_window_leaves_the_answer_open() -> None:
    assert check(facts=replace(LIGHT, expected=())).overall is Overall.CANNOT_TELL


def test_a_silent_peer_leaves_the_answer_open() -> None:
    found = check([reading("A1", (2000.0,) * 3), reading("A2", (2000.0,) * 3, at_s=-100.0)])
    assert found.overall is Overall.CANNOT_TELL


def test_a_peer_on_bypass_is_not_met() -> None:
    found = check([reading("A1"), reading("A2", source=OutputSource.BYPASS)])
    assert results(found)["others_carry"] is Result.NOT_MET
    assert found.met_between == ()


def test_a_running_test_is_not_met() -> None:
    found = check([reading("A1", alarms=("upsAlarmTestInProgress",)), reading("A2")])
    assert results(found)["nothing_under_way"] is Result.NOT_MET


def test_an_alarm_on_a_card_is_not_met() -> None:
    found = check([reading("A1", alarms=("upsAlarmFanFailure",)), reading("A2")])
    assert results(found)["no_alarms"] is Result.NOT_MET


def test_a_bypass_out_of_band_is_not_met_and_one_not_told_is_open() -> None:
    off = replace(reading("A2", (2000.0,) * 3), bypass=BypassReading(52.0, reading("A2").bypass.lines))  # type: ignore[union-attr]
    assert results(check([reading("A1", (2000.0,) * 3), off]))["bypass_in_band"] is Result.NOT_MET
    none = replace(off, bypass=None)
    assert results(check([reading("A1", (2000.0,) * 3), none]))["bypass_in_band"] is Result.CANNOT_BE_SEEN


def test_a_bypass_that_was_last_read_while_the_supply_was_gone_is_not_known() -> None:
    dead = BypassReading(0.0, tuple(replace(x, voltage_v=0.0) for x in reading("A2").bypass.lines))  # type: ignore[union-attr]
    read_at = NOON - timedelta(seconds=40)
    off = replace(reading("A2", (2000.0,) * 3), bypass=dead, part_at={"bypass": read_at})
    both = [reading("A1", (2000.0,) * 3), off]
    assert results(check(both))["bypass_in_band"] is Result.NOT_MET
    for ago_s, said in ((50, Result.NOT_MET), (30, Result.CANNOT_BE_SEEN)):
        facts = replace(LIGHT, on_banks_until=NOON - timedelta(seconds=ago_s))
        assert results(check(both, facts=facts))["bypass_in_band"] is said


def test_an_input_that_went_bad_today_is_not_steady() -> None:
    found = check(facts=replace(LIGHT, input_bad={"A2": 3}))
    assert results(found)["input_steady"] is Result.NOT_MET


def test_banks_that_would_not_hold_are_not_met() -> None:
    seen = seen_from([reading(n, (2000.0,) * 3) for n in ("A1", "A2")])
    first = glance(seen)
    weak = hold_ups(task_of(seen, first), known_banks(seen.estate, health=0.05, sd=0.01), seed=1)
    found = isolation(seen, first, weak, "A1", NOON, NOON + HOUR, LIGHT)
    assert results(found)["others_hold"] is Result.NOT_MET


def test_where_the_others_would_trip_that_is_the_reason_and_not_what_their_banks_are() -> None:
    """Of 9 kW a line one unit is asked 14: by its banks' unknown capacity alone nothing could be told."""
    found = check([reading(n, (7000.0, 2000.0, 2000.0)) for n in ("A1", "A2")])
    row = next(row for row in found.rows if row.check == "others_hold")
    assert row.result is Result.NOT_MET
    assert (row.because.code, row.because["line"]) == (Code.OVERLOADS_ONE_LOST, 1)


def test_how_long_the_others_hold_follows_the_newest_judgement_where_it_is_of_the_load_now() -> None:
    seen = seen_from([reading(n, (2000.0,) * 3) for n in ("A1", "A2")])
    first = glance(seen)
    good = hold_ups(task_of(seen, first), known_banks(seen.estate), seed=1)
    weak = hold_ups(task_of(seen, first), known_banks(seen.estate, health=0.05, sd=0.01), seed=1)
    found = isolation(seen, first, good, "A1", NOON, NOON + HOUR, LIGHT)
    later = with_newer(found, weak)
    assert results(later)["others_hold"] is Result.NOT_MET
    assert later.overall is Overall.NOT_MET
    now = next(x.hold_up.low_s for x in weak.hold_ups.each_unit_lost if x.unit == "A1")
    assert next(row for row in later.rows if row.check == "others_hold").because["low_s"] == now
    window = isolation(seen, first, good, "A1", NOON, NOON + HOUR, replace(LIGHT, out_judged=good))
    assert with_newer(window, weak) == window, "what was played for the window stands"


def test_the_only_unit_cannot_be_taken_out_with_the_load_protected() -> None:
    plant = estate(1, spare_units=0)
    found = check([reading("A1", (2000.0,) * 3)], plant=plant)
    assert found.overall is Overall.NOT_MET


def test_who_proved_the_card_is_shown() -> None:
    row = next(r for r in check().rows if r.check == "card_is_A1")
    assert row.because == reason(Code.CARD_PROVED, by="R. Haugen", day=NOON.date())
    unproved = check(facts=replace(LIGHT, confirmed={}))
    assert results(unproved)["card_is_A1"] is Result.CANNOT_BE_SEEN
    assert unproved.overall is Overall.MET


def test_strangers_and_backward_windows_are_refused() -> None:
    seen = seen_from([reading("A1"), reading("A2")])
    with pytest.raises(ValueError, match="unit"):
        isolation(seen, glance(seen), None, "X", NOON, NOON + HOUR)
    with pytest.raises(ValueError, match="window"):
        isolation(seen, glance(seen), None, "A1", NOON, NOON)
