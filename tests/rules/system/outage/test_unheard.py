"""A system from afar once its teller is quiet: nothing that was so is said to be so, and an outage is reckoned on."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from rules.system.outage.unheard import unheard
from rules.system.state import OnBattery, Standing, UnitStanding
from rules.values.code import Code
from rules.values.reason import reason
from rules.values.verdict import Verdict
from tests.rules.sample_plant import system_state

SINCE = datetime(2026, 11, 24, 10, tzinfo=UTC)
WHY = reason(Code.COLLECTOR_SILENT, "north")


def test_nothing_that_was_judged_is_said_to_be_so() -> None:
    carrying = UnitStanding("W1", Standing.CARRYING, 0.5, SINCE)
    before = replace(system_state("works", 10.0), units=(carrying,))
    now = unheard(before, WHY, SINCE)
    assert {need.verdict for need in now.requirements} == {Verdict.CANNOT_TELL}
    assert {need.margin_s for need in now.requirements} == {None}
    assert now.redundancy is not None
    assert (now.redundancy.verdict, now.redundancy.margin_w) == (Verdict.CANNOT_TELL, None)
    assert {reason_ for need in now.requirements for reason_ in need.because} == {WHY}
    assert now.hold_up.now.low_s is None
    assert now.load.power_w is None
    assert now.units == (UnitStanding("W1", Standing.UNKNOWN, None, SINCE),)
    assert now.as_of == before.as_of  # as of when it was so, it still says


def test_what_is_needed_stays_known() -> None:
    before = system_state("works", 10.0)
    now = unheard(before, WHY, SINCE)
    assert [n.required_s for n in now.requirements] == [n.required_s for n in before.requirements]


def test_a_system_on_its_banks_is_reckoned_on_from_then() -> None:
    dark = OnBattery(
        SINCE - timedelta(minutes=5), SINCE + timedelta(minutes=9), SINCE + timedelta(minutes=20)
    )
    before = replace(system_state("works", 10.0), on_battery=dark)
    now = unheard(before, WHY, SINCE).on_battery
    assert now == replace(dark, reckoned_since=SINCE)
    earlier = replace(dark, reckoned_since=SINCE - timedelta(minutes=1))
    assert unheard(replace(before, on_battery=earlier), WHY, SINCE).on_battery == earlier
