"""A signed shutdown plan: frozen, watched against its abort criteria, compared afterwards."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import replace
from datetime import timedelta

import pytest

from rules.phrasing.reasons import said
from rules.planning.ridethrough.play import ride
from rules.planning.ridethrough.result import PlayedLoad, PlayedLoadBasis
from rules.planning.ridethrough.scenario import Scenario
from rules.planning.ridethrough.signed_plan import (
    AbortLimits,
    Criterion,
    SignedPlan,
    digest_of,
    objections,
    sign,
    watch,
)
from rules.planning.ridethrough.supply import MainsOut, SetCase, SetPlan
from rules.system.assessment import system_state, task_of
from rules.system.hold_up.judgement import hold_ups
from rules.system.observation import glance
from rules.system.state import LineLoad, Load, OnBattery, Standing, SystemState
from rules.values.reason import told
from rules.values.serial import from_plain, to_plain
from rules.values.verdict import Verdict
from tests.rules.sample_plants import NOON, SET, estate, known_banks, reading, view

WORK = Scenario((MainsOut(0.0, 120.0, generator=False),), SetPlan(SetCase.NEVER))


def signed(limits: AbortLimits | None = None) -> tuple[SignedPlan, SystemState]:
    plant = estate(2)
    seen = view(plant, [reading(n) for n in ("A1", "A2")])
    known = known_banks(plant)
    first = glance(seen)
    task = task_of(seen, first)
    state = system_state(seen, first, hold_ups(task, known, seed=1))
    units = plant.units_of("A")
    result = ride(task, known, WORK, generator=SET, units=units, seed=1)
    plan = sign(
        result,
        WORK,
        state,
        starts_at=NOON,
        by="R. Haugen",
        at=NOON,
        generator=SET,
        units=units,
        limits=limits,
    )
    return plan, state


def outage(state: SystemState, ends_s: float | None) -> SystemState:
    ends = None if ends_s is None else NOON + timedelta(seconds=ends_s)
    return replace(state, on_battery=OnBattery(NOON, ends, ends))


def broken(state: SystemState, at_s: float, limits: AbortLimits | None = None) -> list[Criterion]:
    plan, _ = signed(limits)
    return [b.criterion for b in watch(plan, state, NOON + timedelta(seconds=at_s))]


def test_all_as_planned_breaks_nothing() -> None:
    plan, state = signed()
    assert plan.ends_at == NOON + timedelta(seconds=170)  # 120 s and 50 s to accept, wait and ramp
    assert broken(state, 60.0) == []
    assert broken(outage(state, 900.0), 60.0) == []


def test_the_load_that_was_played_is_what_the_load_is_held_against() -> None:
    plan, state = signed()
    units = estate(2).units_of("A")
    now_w = state.load.power_w
    assert now_w is not None
    doubled = replace(
        plan.result, load=PlayedLoad(PlayedLoadBasis.RECORD, 2.0 * now_w, 1.9 * now_w, 2.1 * now_w)
    )
    plan = sign(doubled, WORK, state, starts_at=NOON, by="R. Haugen", at=NOON, generator=SET, units=units)
    assert plan.load_w == 2.0 * now_w


def test_before_it_begins_nothing_is_told() -> None:
    _, state = signed()
    assert broken(outage(state, 1.0), -10.0) == []


def test_banks_that_end_before_supply_is_back_break_it_off() -> None:
    _, state = signed()
    assert broken(outage(state, 150.0), 60.0) == [Criterion.ENDS_TOO_EARLY]


def test_a_margin_signed_for_is_watched() -> None:
    _, state = signed()
    assert broken(outage(state, 200.0), 60.0, AbortLimits(margin_s=60.0)) == [Criterion.MARGIN_GONE]


def test_on_the_banks_longer_than_planned() -> None:
    _, state = signed()
    assert broken(outage(state, 900.0), 190.0) == []
    assert broken(outage(state, 900.0), 201.0) == [Criterion.LASTS_TOO_LONG]


def test_more_load_than_planned() -> None:
    _, state = signed()
    heavy = replace(state, load=Load(20_000.0, 21_000.0, (LineLoad(1, 20_000.0, 21_000.0),)))
    assert broken(heavy, 60.0) == [Criterion.LOAD_ABOVE_PLAN]


def test_a_unit_that_was_counted_on() -> None:
    _, state = signed()
    off = replace(state, units=(replace(state.units[0], standing=Standing.OFF), state.units[1]))
    silent = replace(state, units=(replace(state.units[0], standing=Standing.SILENT), state.units[1]))
    assert broken(off, 60.0) == [Criterion.UNIT_MISSING]
    assert broken(silent, 60.0) == [Criterion.NOT_SEEN]


def test_what_is_signed_does_not_change_and_a_changed_plan_is_another() -> None:
    plan, _ = signed()
    again, _ = signed()
    assert plan.digest == again.digest
    assert replace(plan, load_w=plan.load_w + 1.0).digest != plan.digest


def test_nobody_signs_bad_news() -> None:
    plan, state = signed()
    for bad in (Verdict.INADEQUATE, Verdict.CANNOT_TELL):
        with pytest.raises(ValueError, match=bad.value):
            sign(
                replace(plan.result, verdict=bad),
                WORK,
                state,
                starts_at=NOON,
                by="x",
                at=NOON,
                generator=None,
                units=(),
            )


def test_a_plan_keeps_its_mark_on_the_way_to_the_disk_and_back_in_another_process() -> None:
    plan, _ = signed()
    many = replace(plan, scenario=replace(WORK, units_out=frozenset({"A1", "A2", "A3", "A4", "A5"})))
    script = (
        "from rules.values.serial import to_plain;from rules.planning.ridethrough.scenario import Scenario;"
        "print(to_plain(Scenario(units_out=frozenset({'A5','A4','A3','A2','A1'})))['units_out'])"
    )
    orders = set()
    for seed in "12":  # the order in which a set is walked hangs on this
        ran = subprocess.run(
            [sys.executable, "-c", script],
            env={**os.environ, "PYTHONHASHSEED": seed},
            capture_output=True,
            text=True,
            check=True,
        )
        orders.add(ran.stdout.strip())
    assert orders == {"['A1', 'A2', 'A3', 'A4', 'A5']"}
    plain = json.loads(json.dumps(to_plain(many), allow_nan=False))
    assert digest_of(plain) == many.digest
    assert from_plain(SignedPlan, plain) == many


def test_a_shutdown_without_an_end_is_not_signed() -> None:
    plan, state = signed()
    for outages in ((MainsOut(0.0, None),), (MainsOut(0.0, 60.0), MainsOut(600.0, None))):
        with pytest.raises(ValueError, match="that ends"):
            sign(
                plan.result,
                Scenario(outages),
                state,
                starts_at=NOON,
                by="x",
                at=NOON,
                generator=SET,
                units=(),
            )


def test_what_has_changed_since_speaks_against_beginning() -> None:
    plan, state = signed()
    assert objections(plan, state, plan.result) == ()
    heavy = replace(state, load=Load(20_000.0, 21_000.0, (LineLoad(1, 20_000.0, 21_000.0),)))
    off = replace(heavy, units=(replace(state.units[0], standing=Standing.OFF), state.units[1]))
    short = replace(plan.result, verdict=Verdict.INADEQUATE, because=(told("The load is lost."),))
    found = objections(plan, off, short)
    assert found[0] == told("The load is lost.")
    assert any("A1 is off" in words for words in said(found))
    assert any("20.0 kW" in words for words in said(found))


def test_the_load_that_is_signed_for_is_scaled_and_added_to_as_the_scenario_says() -> None:
    plan, state = signed()
    scenario = replace(WORK, load_times=0.5, load_added_w=((1, 300.0), (2, 200.0)))
    plan = sign(
        plan.result,
        scenario,
        state,
        starts_at=NOON,
        by="R. Haugen",
        at=NOON,
        generator=SET,
        units=estate(2).units_of("A"),
    )
    assert plan.load_w == pytest.approx(0.5 * 18_000.0 + 500.0)
