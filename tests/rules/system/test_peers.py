"""What the units beside one tell of it: idle, a phase left out, a short silence.

The truth of each situation is the busbar: a balanced load shared by equal units, so every unit carries its part.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date

import pytest

from rules.alarms.catalogue import CATALOGUE
from rules.alarms.conditions.comparison import sibling_conditions
from rules.phrasing.reasons import said, say
from rules.planning.isolation.rows import Result, others_carry
from rules.plant.estate import FittedUnit, Unit
from rules.plant.reading import BypassLine, BypassReading, OutputSource, Reading
from rules.system.assessment import system_state, task_of
from rules.system.hold_up.judgement import hold_ups
from rules.system.observation import SystemObservation, glance
from rules.system.peers import UnitLoad, filled, still_carries
from rules.system.state import FindingKind, LineLoad, Standing
from rules.values.code import Code
from rules.values.verdict import Verdict
from tests.rules.sample_plants import estate, known_banks, month, reading, view

PART = (3000.0, 3000.0, 3000.0)
NOTHING = (0.0, 0.0, 0.0)


def seen(readings: Sequence[Reading], **more: object) -> SystemObservation:
    plant = estate(len(readings))
    return glance(view(plant, readings, **more))


def without_line(one: Reading, line: int, *, amperes: bool = False) -> Reading:
    """Return a reading without the watts of one line, and without its current unless `amperes`."""
    lines = tuple(
        replace(x, power_w=None, current_a=x.current_a if amperes else None) if x.line == line else x
        for x in one.output.lines
    )
    return replace(one, output=replace(one.output, lines=lines))


# ---- not seen carrying ---------------------------------------------------------------------------------------


def test_a_unit_that_carries_nothing_while_its_peer_carries_all_is_no_spare() -> None:
    found = seen([reading("A1", PART), reading("A2", NOTHING)], peaks=month(3000.0, 3000.0, 3000.0))
    assert found.parallel.standing_of("A2") is Standing.IDLE
    assert found.redundancy is not None
    assert found.redundancy.verdict is Verdict.INADEQUATE
    words = " ".join(said(found.redundancy.because))
    assert "A2 carries 0.0 kW while A1 carries 9.0 kW" in words
    assert "output may be open" in words
    assert "breaker tell" in words


def test_of_three_the_two_that_carry_are_spare_to_each_other_and_the_third_is_named() -> None:
    readings = [reading("A1", PART), reading("A2", PART), reading("A3", NOTHING)]
    found = seen(readings, peaks=month(6000.0, 6000.0, 6000.0)).redundancy
    assert found is not None
    assert found.verdict is Verdict.ADEQUATE
    assert found.lines[0].limit_w == pytest.approx(
        9000.0
    )  # of 3 x 9 kW a line: the idle one and a spare gone
    assert any("A3" in text for text in said(found.because))


def test_its_bank_is_not_counted_on_either() -> None:
    plant = estate(2)
    seen_now = view(plant, [reading("A1", PART), reading("A2", NOTHING)])
    task = task_of(seen_now, glance(seen_now))
    assert [unit.id for unit in task.units] == ["A1"]
    alone = hold_ups(task, known_banks(plant), seed=1).hold_ups
    assert any("A2" in text for text in said(alone.because))


def test_others_do_not_carry_where_one_of_them_is_idle() -> None:
    found = seen([reading("A1", PART), reading("A2", NOTHING)])
    row = others_carry([v for v in found.views if v.unit.id != "A1"], found)
    assert row.result is Result.NOT_MET
    assert row.because.code is Code.OTHERS_NOT_CARRYING
    assert "A2" in say(row.because)


@pytest.mark.parametrize("watts", [NOTHING, (25.0, 30.0, 25.0)])
def test_under_two_percent_of_its_share_is_idle(watts: tuple[float, ...]) -> None:
    # 80 W, where 2 % of its part of 4.5 kW are 90 W
    assert seen([reading("A1", PART), reading("A2", watts)]).parallel.standing_of("A2") is Standing.IDLE


@pytest.mark.parametrize(
    ("peer", "mine"),
    [
        (PART, (300.0, 300.0, 300.0)),  # shares badly, and is on the bar
        ((200.0, 200.0, 200.0), NOTHING),  # its part would be 1 % of its rating: no meter shows that
        (NOTHING, NOTHING),
    ],
)
def test_a_unit_is_not_called_idle_where_that_cannot_be_seen(
    peer: tuple[float, ...], mine: tuple[float, ...]
) -> None:
    assert seen([reading("A1", peer), reading("A2", mine)]).parallel.standing_of("A2") is Standing.CARRYING


def test_current_without_watts_shows_that_a_unit_is_on_the_bar() -> None:
    turning = reading("A2", (10.0, 10.0, 10.0), power_factor=0.008)  # 1.25 kVA a line, of 10
    assert seen([reading("A1", PART), turning]).parallel.standing_of("A2") is Standing.CARRYING


def test_a_unit_that_is_declared_to_rest_is_not_called_idle() -> None:
    fitted = (FittedUnit(date(2020, 1, 1), None, "cabinet", 30_000.0, 27_000.0),)
    units = [Unit(n, "A", 3, (1, 2, 3), fitted, may_rest=n == "A2") for n in ("A1", "A2")]
    found = glance(view(estate(units=units), [reading("A1", PART), reading("A2", NOTHING)]))
    assert found.parallel.standing_of("A2") is Standing.RESTING


def test_what_its_card_says_of_why_is_said() -> None:
    by_bypass = replace(
        reading("A2", NOTHING, alarms=("upsAlarmUpsOutputOff",)),
        bypass=BypassReading(50.0, tuple(BypassLine(n, 230.0, 13.0, 3000.0) for n in (1, 2, 3))),
    )
    why = say(seen([reading("A1", PART), by_bypass]).parallel.idle["A2"])
    assert "upsAlarmUpsOutputOff" in why
    assert "9.0 kW go by its bypass" in why


def test_it_is_told_within_two_minutes_by_an_alarm_that_names_it() -> None:
    plant = estate(2)
    seen_now = view(plant, [reading("A1", PART), reading("A2", NOTHING)])
    state = system_state(seen_now, glance(seen_now), None)
    (told,) = [
        f for f in sibling_conditions(state, lambda _kind, _about: None) if f.kind == "not_seen_carrying"
    ]
    assert told.seen.present
    assert "A2" in say(told.seen.what)
    assert CATALOGUE["not_seen_carrying"].on_delay_s <= 60.0


# ---- a phase left out ----------------------------------------------------------------------------------------


def four(broken: Reading) -> list[Reading]:
    return [reading("A1", PART), reading("A2", PART), broken, reading("A4", PART)]


@pytest.mark.parametrize("amperes", [True, False])
def test_a_phase_that_one_of_four_leaves_out_lies_within_bounds_from_its_peers(amperes: bool) -> None:
    found = seen(four(without_line(reading("A3", PART), 2, amperes=amperes)), peaks=month(*[12_000.0] * 3))
    line = found.parallel.load.lines[1]
    assert line.power_w is not None
    assert line.apparent_va is not None
    assert abs(line.power_w - 12_000.0) <= line.doubt_w <= 450.0  # 5 points of the 9 kW of one line
    assert abs(line.apparent_va - 12_000.0 / 0.95) <= line.doubt_va
    assert said(found.missing) == ()
    assert found.redundancy is not None
    assert found.redundancy.verdict is Verdict.ADEQUATE
    assert any("A3" in text and "line 2" in text for text in said(found.redundancy.because))


def test_a_unit_that_carries_less_than_its_part_is_reckoned_to_do_so_on_the_line_left_out() -> None:
    low = without_line(reading("A3", (2000.0, 2000.0, 2000.0)), 3)
    line = seen(four(low)).parallel.load.lines[2]
    assert line.power_w == pytest.approx(3 * 3000.0 + 2000.0)


def test_a_unit_that_gives_no_power_at_all_is_not_taken_to_carry_its_part() -> None:
    bare = reading("A3", PART)
    for line in (1, 2, 3):
        bare = without_line(bare, line)
    found = seen(four(bare))
    assert found.parallel.load.power_w is None
    assert said(found.missing) == ("Unit A3 gives no power on line 1, 2, 3, and nothing beside it tells it.",)


def test_the_lower_bound_decides_what_is_not_enough_and_between_them_nothing_is_told() -> None:
    def verdict(watts: float) -> Verdict:
        both = [reading("A1", (watts,) * 3), without_line(reading("A2", (watts,) * 3), 2)]
        found = seen(both).redundancy  # one of two gone leaves 9 kW a line
        assert found is not None
        return found.verdict

    assert verdict(4000.0) is Verdict.ADEQUATE  # 8.00 with 0.45 either way
    assert verdict(4450.0) is Verdict.CANNOT_TELL  # 8.90
    assert verdict(5000.0) is Verdict.INADEQUATE  # 10.00


def test_the_unit_is_named_by_an_alarm_within_two_minutes() -> None:
    plant = estate(4)
    seen_now = view(plant, four(without_line(reading("A3", PART), 2)))
    state = system_state(seen_now, glance(seen_now), None)
    (told,) = [
        f for f in sibling_conditions(state, lambda _kind, _about: None) if f.kind == "figure_left_out"
    ]
    assert told.seen.present
    assert "A3" in say(told.seen.what)
    assert "line 2" in say(told.seen.what)
    assert CATALOGUE["figure_left_out"].on_delay_s <= 60.0


def test_cards_that_give_no_current_at_all_are_no_finding() -> None:
    bare = [
        replace(r, output=replace(r.output, lines=tuple(replace(x, current_a=None) for x in r.output.lines)))
        for r in (reading("A1", PART), reading("A2", PART))
    ]
    found = seen(bare)
    assert found.parallel.left_out == {}
    assert found.parallel.load.power_w == 18_000.0


def test_a_unit_that_is_off_and_leaves_its_power_out_carries_none() -> None:
    off = without_line(reading("A2", NOTHING, source=OutputSource.NONE), 1)
    assert seen([reading("A1", PART), off]).parallel.load.lines[0] == LineLoad(1, 3000.0, 3000.0 / 0.95)


# ---- a short silence -----------------------------------------------------------------------------------------


def test_a_card_silent_for_17_s_does_not_blank_its_system() -> None:
    # read every 5 s, so the last reading is up to 22 s old when the card is back
    late = [reading("A1", PART), reading("A2", PART, at_s=-22.0)]
    found = seen(late, peaks=month(6000.0, 6000.0, 6000.0))
    assert found.parallel.standing_of("A2") is Standing.CARRYING
    assert found.parallel.load.power_w == 18_000.0
    assert said(found.missing) == ()
    assert found.redundancy is not None
    assert found.redundancy.verdict is Verdict.ADEQUATE
    assert any("A2 has not answered for 22 s" in text for text in said(found.redundancy.because))


def test_a_unit_that_left_while_its_card_is_silent_is_not_taken_to_carry_on() -> None:
    took_over = reading("A1", (6000.0,) * 3)  # the whole of what the two of them carried
    found = seen([took_over, reading("A2", PART, at_s=-17.0)])
    assert found.parallel.standing_of("A2") is Standing.SILENT
    assert found.parallel.load.power_w is None


def test_of_four_the_part_that_went_over_to_three_is_seen_as_well() -> None:
    took_over = [reading(n, (4000.0,) * 3) for n in ("A1", "A2", "A4")]
    found = seen([*took_over, reading("A3", PART, at_s=-17.0)])
    assert found.parallel.standing_of("A3") is Standing.SILENT


def test_peers_that_went_on_their_banks_meanwhile_say_nothing_of_its_own() -> None:
    on_bank = reading("A1", PART, source=OutputSource.BATTERY)
    assert seen([on_bank, reading("A2", PART, at_s=-17.0)]).parallel.standing_of("A2") is Standing.SILENT


def test_the_finding_of_a_phase_left_out_names_the_unit() -> None:
    plant = estate(4)
    seen_now = view(plant, four(without_line(reading("A3", PART), 2)))
    found = system_state(seen_now, glance(seen_now), None).findings
    assert [(f.kind, f.about) for f in found] == [(FindingKind.LEFT_OUT, "A3")]


def test_a_phase_left_out_of_a_unit_without_a_rating_stays_unknown_and_one_with_it_follows_its_peers() -> (
    None
):
    beside = UnitLoad({1: 3000.0, 2: 3000.0}, {1: None, 2: None}, rated_w=9000.0)
    dark = UnitLoad({1: 3000.0, 2: None}, {1: None, 2: None})
    assert filled({"A1": dark, "A2": beside})["A1"].power_w[2] is None
    found = filled({"A1": replace(dark, rated_w=9000.0), "A2": beside})["A1"]
    assert found.power_w[2] == pytest.approx(3000.0)
    assert found.doubt_w[2] == pytest.approx(450.0)  # 5 % of the line's rating


@pytest.mark.parametrize(("peers_w", "carries"), [(4499.0, True), (4501.0, False)])
def test_half_of_its_part_over_at_one_equal_peer_shows_that_a_silent_unit_left(
    peers_w: float, carries: bool
) -> None:
    # each carried 3 kW of 9: had the silent one left, its peer would carry 6 kW; half of that way is 4.5
    last = UnitLoad({1: 3000.0}, {1: None}, rated_w=9000.0)
    assert still_carries(last, [UnitLoad({1: peers_w}, {1: None}, rated_w=9000.0)]) is carries


@pytest.mark.parametrize(("of_rating", "tells"), [(0.049, False), (0.051, True)])
def test_who_carried_under_a_twentieth_of_its_rating_leaves_no_trace_at_its_peers(
    of_rating: float, tells: bool
) -> None:
    last = UnitLoad({1: 9000.0 * of_rating}, {1: None}, rated_w=9000.0)
    assert still_carries(last, [UnitLoad({1: 9000.0 * of_rating}, {1: None}, rated_w=9000.0)]) is tells
