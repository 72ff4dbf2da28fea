"""Alarms of a system: banks that nothing was seen of."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rules.alarms.catalogue import CATALOGUE
from rules.alarms.conditions.condition import Condition
from rules.alarms.conditions.system import system_conditions
from rules.battery.state import WouldTell
from rules.phrasing.reasons import say
from rules.system.state import (
    UNKNOWN_HOLD_UP,
    LineRedundancy,
    LoadBasis,
    OnBattery,
    Redundancy,
    Standing,
    SystemState,
    UnitStanding,
)
from rules.values.reason import told
from rules.values.verdict import Verdict
from tests.rules.sample_plant import START, UNITS, estate, system_state

STEPS = (
    WouldTell(told("Import a past test."), told("Its capacity.")),
    WouldTell(told("Test it."), told("The same.")),
)


def unproven(state: SystemState) -> Condition:
    found = system_conditions(
        state, estate(), CATALOGUE, was=lambda _k, _q: False, known=lambda *_: None, at=START
    )
    return next(c for c in found if c.kind == "banks_unproven")


def judged(banks: tuple[str, ...], steps: tuple[WouldTell, ...] = STEPS) -> SystemState:
    made = system_state("works", 0.0)
    return replace(made, hold_up=replace(made.hold_up, unproven=banks, would_tell=steps))


def test_the_step_of_least_effort_is_what_to_do() -> None:
    found = unproven(judged(("bank-W1",))).seen
    assert (found.present, say(found.do)) == (True, "Import a past test.")
    assert unproven(judged(("bank-W1",), ())).seen.do is None


def test_banks_of_which_all_was_seen_are_none() -> None:
    found = unproven(judged(())).seen
    assert (found.present, say(found.what)) == (False, "")


def test_a_system_of_which_nothing_is_known_yet_leaves_it_open() -> None:
    made = judged(())
    assert unproven(replace(made, hold_up=replace(made.hold_up, now=UNKNOWN_HOLD_UP))).seen.present is None


@pytest.mark.parametrize(
    ("lines_w", "excess"),
    [
        ((9000.0, 6000.0, 6000.0), 9000.0 / 7000.0 - 1.0),
        ((6000.0, 6000.0, 6000.0), 0.0),
        ((4000.0, 8000.0), 1.0 / 3.0),
    ],
)
def test_lines_are_apart_by_what_the_fullest_takes_over_their_mean(
    lines_w: tuple[float, ...], excess: float
) -> None:
    state = system_state("works", 0.0, lines_w=lines_w)
    found = system_conditions(
        state, estate(), CATALOGUE, was=lambda _k, _q: False, known=lambda *_: None, at=START
    )
    (one,) = [c.seen for c in found if c.kind == "phase_imbalance"]
    assert one.facts is not None
    assert one.facts["excess_fraction"] == pytest.approx(excess)


@pytest.mark.parametrize(("stood", "present"), [(True, True), (False, False)])
def test_a_need_that_is_still_not_met_is_not_over_because_a_bank_passes_for_unseen_again(
    stood: bool, present: bool
) -> None:
    made = system_state("works", 0.0, holds_s=100.0, verdict=Verdict.INADEQUATE, margin_s=-470.0)
    made = replace(made, hold_up=replace(made.hold_up, unproven=("bank-W1",)))
    found = system_conditions(
        made, estate(), CATALOGUE, was=lambda _k, _q: stood, known=lambda *_: None, at=START
    )
    (need,) = [c.seen for c in found if (c.kind, c.qualifier) == ("requirement_not_met", "hand")]
    assert need.present is present


@pytest.mark.parametrize(("limit", "over"), [("va", 400.0), ("w", 250.0)])
def test_what_a_line_asks_more_than_is_left_is_told_in_what_its_limit_counts(limit: str, over: float) -> None:
    line = LineRedundancy(1, 3000.0, 3300.0, 3650.0, 4000.0, 3400.0, 3600.0)
    short = Redundancy(Verdict.INADEQUATE, (), START, -350.0, -0.1, 1, limit, LoadBasis.PEAK_30D, (line,))
    found = system_conditions(
        replace(system_state("works", 0.0), redundancy=short),
        estate(), CATALOGUE, was=lambda _k, _q: False, known=lambda *_: None, at=START,
    )  # fmt: skip
    (one,) = [c.seen for c in found if c.kind == "redundancy_lost"]
    assert one.what is not None
    assert one.what["over"] == pytest.approx(over)


@pytest.mark.parametrize("why", ["on its banks", "dropped"])
def test_a_spare_is_not_set_against_units_whose_banks_have_ended(why: str) -> None:
    """The whole line's peak against nothing is no news of a spare; what was told before stands as it was told."""
    made = system_state("works", 0.0, spare=Verdict.INADEQUATE, spare_margin_w=-14_400.0)
    off = tuple(UnitStanding(u, Standing.OFF, None, START) for u in UNITS["works"])
    ended = OnBattery(START, None, None)
    state = replace(made, on_battery=ended) if why == "on its banks" else replace(made, units=off)
    found = system_conditions(
        state, estate(), CATALOGUE, was=lambda _k, _q: True, known=lambda *_: None, at=START
    )
    (one,) = [c.seen for c in found if c.kind == "redundancy_lost"]
    assert one.present is None
