"""Calls on a system's banks: who went with the others, who came back late, who stayed away."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta

import pytest

from rules.plant.reading import OutputSource, Reading
from rules.system.state import Finding
from rules.system.state import FindingKind as Kind
from rules.system.transfers import Call, Transfer, followed, judged, latecomers
from tests.rules.sample_plants import NOON, estate, reading

ON, OFF = OutputSource.BATTERY, OutputSource.NORMAL
Step = tuple[str, float, OutputSource]


def played(steps: Sequence[Step]) -> Call:
    """Return the call after readings (unit, seconds, source), which must not end before the last of them."""
    call: Call | None = None
    for unit, at_s, source in steps:
        assert call is None or not call.over, "the call was over before"
        call = followed(call, reading(unit, source=source, at_s=at_s), "A")
    assert call is not None
    return call


def shown(steps: Sequence[Step]) -> list[tuple[Kind, str]]:
    call = played(steps)
    assert call.over
    return [(f.kind, f.about) for f in judged(call, estate(3).units_of("A"))]


def test_who_came_back_late() -> None:
    transfers = [
        Transfer(u, NOON, NOON + timedelta(seconds=s)) for u, s in (("A1", 30), ("A2", 65), ("A3", 50))
    ]
    found = latecomers(transfers, {"A1": 40.0, "A2": 50.0, "A3": 60.0})
    # A2 may be 10 + 10 s later than A1 and is 35; A3 may be 20 + 10 s later and is 20.
    assert [(f.kind, f.about, f.value, f.limit) for f in found] == [(Kind.LATE_BACK, "A2", 35.0, 20.0)]


def test_who_did_not_go_on_battery() -> None:
    transfers = [Transfer("A1", NOON), Transfer("A2", NOON), Transfer("A3", None)]
    assert [(f.kind, f.about) for f in latecomers(transfers, {})] == [(Kind.NOT_ON_BATTERY, "A3")]


def test_units_that_return_in_their_declared_turn_are_not_late() -> None:
    # hold-offs are 0, 10 and 20 s (tests.rules.sample_plants): 12 and 24 s behind the first is within 10 s of that
    steps: list[Step] = [(u, 0.0, ON) for u in ("A1", "A2", "A3")]
    steps += [("A2", 50.0, ON), ("A3", 50.0, ON), ("A1", 52.0, OFF), ("A2", 60.0, ON), ("A3", 60.0, ON)]
    steps += [("A2", 64.0, OFF), ("A3", 70.0, ON), ("A3", 76.0, OFF)]
    assert shown([*steps[:3], ("A1", 50.0, ON), *steps[3:]]) == []


def test_a_unit_later_than_its_declared_turn_is_late() -> None:
    steps: list[Step] = [(u, s, ON) for s in (0.0, 50.0) for u in ("A1", "A2")]
    steps += [("A1", 52.0, OFF)]
    steps += [("A2", 60.0, ON), ("A2", 72.0, ON), ("A2", 74.0, OFF)]
    assert shown(steps) == [
        (Kind.LATE_BACK, "A2")
    ]  # 22 s; its hold-off of 10 s and 10 s of grace are allowed


def test_a_second_loss_before_all_are_back_starts_the_return_anew() -> None:
    steps: list[Step] = [(u, s, ON) for s in (0.0, 10.0) for u in ("A1", "A2")]
    steps += [("A1", 12.0, OFF), ("A2", 20.0, ON), ("A1", 22.0, ON), ("A2", 30.0, ON), ("A1", 30.0, ON)]
    steps += [("A1", 40.0, OFF), ("A2", 42.0, OFF)]
    assert shown(steps) == []


def test_a_return_that_fell_into_silence_has_no_time() -> None:
    steps: list[Step] = [("A1", 0.0, ON), ("A2", 0.0, ON), ("A1", 10.0, ON), ("A1", 12.0, OFF)]
    steps += [("A2", 90.0, OFF)]  # its card answered nothing between
    call = played(steps)
    assert call.over
    assert judged(call, estate(2).units_of("A")) == ()


def test_a_unit_that_dropped_its_load_did_not_come_back_first() -> None:
    dropped: list[Step] = [("A1", 0.0, ON), ("A2", 0.0, ON), ("A2", 5.0, OutputSource.NONE), ("A1", 10.0, ON)]
    assert shown([*dropped, ("A1", 25.0, OFF)]) == []
    again: list[Step] = [("A2", 24.0, OFF), ("A1", 24.0, ON)]  # fed again, as its supply is
    assert shown([*dropped, *again, ("A1", 38.0, OFF)]) == []


def test_a_unit_that_is_switched_off_did_not_stay_away() -> None:
    steps: list[Step] = [("A1", 0.0, ON), ("A2", 0.0, ON), ("A3", 1.0, OutputSource.NONE)]
    steps += [("A3", 25.0, OutputSource.NONE), ("A1", 28.0, ON), ("A2", 28.0, ON), ("A1", 30.0, OFF)]
    assert shown([*steps, ("A2", 31.0, OFF)]) == []


def test_a_unit_read_on_mains_all_the_while_stayed_away() -> None:
    steps: list[Step] = [("A1", 0.0, ON), ("A2", 0.0, ON), ("A3", 1.0, OFF), ("A3", 21.0, OFF)]
    steps += [("A1", 28.0, ON), ("A2", 28.0, ON), ("A1", 30.0, OFF), ("A2", 31.0, OFF)]
    call = played(steps)
    found: tuple[Finding, ...] = judged(call, estate(3).units_of("A"))
    assert [(f.kind, f.about, f.at) for f in found] == [(Kind.NOT_ON_BATTERY, "A3", NOON)]


def test_a_call_too_short_for_the_cards_says_nothing_of_who_stayed_away() -> None:
    steps: list[Step] = [
        ("A1", 0.0, ON),
        ("A2", 0.0, ON),
        ("A3", 5.0, OFF),
        ("A1", 8.0, OFF),
        ("A2", 8.0, OFF),
    ]
    assert shown(steps) == []


def test_a_bank_in_a_test_is_no_call() -> None:
    test: Reading = replace(reading("A1", source=ON, alarms=("upsAlarmTestInProgress",)))
    assert followed(None, test, "A") is None
    assert followed(None, reading("A1"), "A") is None


@pytest.mark.parametrize(("after_s", "stayed"), [(19.9, False), (20.0, True), (20.1, True)])
def test_a_unit_that_reads_normal_has_stayed_away_from_twenty_seconds_on(
    after_s: float, stayed: bool
) -> None:
    call = played([("A1", 0.0, ON), ("A1", after_s, ON), ("A2", after_s, OFF)])
    assert ("A2" in call.transfers and call.transfers["A2"].stayed) is stayed


@pytest.mark.parametrize(
    ("allowed", "late_s", "limit_s"),
    [
        ({}, 10.0, None),
        ({}, 10.1, 10.0),
        ({"A2": 5.0}, 15.0, None),
        ({"A2": 5.0}, 15.1, 15.0),
        ({"A1": 5.0}, 10.1, 10.0),
    ],
)
def test_what_is_not_declared_of_a_unit_gives_it_no_time(
    allowed: dict[str, float], late_s: float, limit_s: float | None
) -> None:
    transfers = [
        Transfer("A1", NOON, NOON + timedelta(seconds=30)),
        Transfer("A2", NOON, NOON + timedelta(seconds=30 + late_s)),
    ]
    found = [f.limit for f in latecomers(transfers, allowed)]
    assert found == ([] if limit_s is None else [limit_s])
