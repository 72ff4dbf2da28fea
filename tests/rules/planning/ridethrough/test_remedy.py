"""A planned shutdown that fails says which sheds, by when, would carry it.

The truth is the play itself: what is proposed is carried when it is played, and a minute later it is not.
"""

from __future__ import annotations

from dataclasses import replace

from rules.phrasing.reasons import said, say
from rules.planning.ridethrough.remedy import advised
from rules.planning.ridethrough.result import Ridethrough
from rules.planning.ridethrough.scenario import PlannedShed, Scenario
from rules.planning.ridethrough.supply import MainsOut, SetPlan
from rules.plant.estate import LoadGroup
from rules.system.assessment import task_of
from rules.system.observation import glance
from rules.values.code import Code
from rules.values.verdict import Verdict
from tests.rules.sample_plants import SET, estate, known_banks, reading, view

LAB = LoadGroup("lab", "A", (2000.0, 2000.0, 2000.0), 3, shed_by="the shift")
VITAL = LoadGroup("vital", "A", (6000.0, 6000.0, 6000.0), 1)
OFF = Scenario((MainsOut(0.0, 650.0, generator=False),))


def played(
    scenario: Scenario, *groups: LoadGroup, watts: float = 4000.0, fuel_hours: float | None = None
) -> Ridethrough:
    plant = estate(2, load_groups=groups)
    seen = view(plant, [reading(f"A{n}", (watts,) * 3) for n in (1, 2)])
    return advised(
        task_of(seen, glance(seen)),
        known_banks(plant),
        scenario,
        generator=replace(SET, fuel_hours=fuel_hours),
        units=plant.units_of("A"),
        groups=plant.load_groups,
        seed=3,
    )


def test_a_shutdown_that_fails_says_what_to_shed_and_by_when() -> None:
    found = played(OFF, LAB, VITAL)
    assert found.verdict is Verdict.INADEQUATE
    assert found.remedy is not None
    assert found.remedy.groups == ("lab",)
    assert found.remedy.power_w == 6000.0
    assert say(found.because[-1]).startswith("Shed lab (6.0 kW) by ")
    in_time = replace(OFF, sheds=(PlannedShed("lab", found.remedy.shed_by_s),))
    assert played(in_time, LAB, VITAL).verdict is Verdict.ADEQUATE
    late = replace(OFF, sheds=(PlannedShed("lab", found.remedy.shed_by_s + 60.0),))
    assert played(late, LAB, VITAL).verdict is Verdict.INADEQUATE


def test_a_shed_that_comes_after_the_load_may_be_lost_is_called_too_late() -> None:
    lost_s = played(OFF, LAB, VITAL).hold_up
    assert lost_s is not None
    assert lost_s.low_s is not None
    late = played(replace(OFF, sheds=(PlannedShed("lab", lost_s.low_s + 20.0),)), LAB, VITAL)
    assert any("too late" in text for text in said(late.because))
    assert late.remedy is not None
    assert late.remedy.shed_by_s < lost_s.low_s


def test_where_only_shedding_everything_would_do_that_is_a_shutdown_in_order() -> None:
    found = played(replace(OFF, outages=(MainsOut(0.0, 36_000.0, generator=False),)), LAB, VITAL)
    assert found.remedy is None
    assert "shut down in order" in say(found.because[-1])


def test_where_nothing_is_declared_that_is_said() -> None:
    assert "No load group is declared" in say(played(OFF).because[-1])


def test_a_shutdown_that_is_carried_needs_no_advice() -> None:
    found = played(replace(OFF, outages=(MainsOut(0.0, 60.0, generator=False),)), LAB, VITAL)
    assert found.verdict is Verdict.ADEQUATE
    assert found.remedy is None


def test_fuel_for_a_day_is_no_bad_news_for_an_outage_without_an_end() -> None:
    found = played(Scenario(), fuel_hours=20.0)
    assert found.verdict is Verdict.ADEQUATE
    # detection, three starts with their rests, run-up and transfer are 95 s; then 20 h of fuel
    (out,) = [h for h in found.happenings if h.what.code is Code.HAPPENS_FUEL_OUT]
    assert out.median_s == 95.0 + 20.0 * 3600.0
    assert any("fuel is out 20.0 h after the start" in text for text in said(found.because))
    assert found.hold_up is not None
    assert found.hold_up.low_s is None


def test_fuel_that_ends_before_the_mains_is_back_is_bad_news() -> None:
    found = played(Scenario((MainsOut(0.0, 30 * 3600.0),), until_s=40 * 3600.0), fuel_hours=20.0)
    assert found.verdict is Verdict.INADEQUATE


def test_a_question_about_the_fuel_itself_is_played_to_its_end() -> None:
    found = played(Scenario(generator=SetPlan(fuel_hours=1.0)))
    assert found.verdict is Verdict.INADEQUATE
    assert any(h.what.code is Code.HAPPENS_LOAD_LOST and h.low_s > 3600.0 for h in found.happenings)
