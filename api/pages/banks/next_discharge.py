"""When a bank is tested next: the day by its interval, and the discharge that pays, or why none does."""

from __future__ import annotations

from datetime import date

from collector.read_model.sheet import Sheet
from collector.read_model.wall_clock import WallClock
from rules.battery.assessment.faults import TEST_DUE
from rules.battery.state import BankState
from rules.phrasing.figures import banks_named, clause, whole_percent
from rules.phrasing.programme_text import discharge_words
from rules.phrasing.reasons import say
from rules.planning.programme.discharge_visits import discharge_visits, spare_of, visit_of


def tests_said(sheet: Sheet, state: BankState, today: date) -> list[str]:
    """Return what is said of a bank's tests, a paragraph each; a discharge that pays as the visit has it that it is part of."""
    plan = state.tests
    if plan is None:
        return []
    told: list[str] = []
    due_said = any(finding.kind == TEST_DUE for finding in state.findings)
    if plan.due >= today or due_said:
        last = f", the last was {WallClock.day(plan.last)}" if plan.last else ", none is on record"
        risk = plan.ends_in_test_probability if plan.advice is None else None
        ends = (
            f" It ends in that test with {whole_percent(risk)} % probability."
            if risk is not None and risk >= 0.005
            else ""
        )
        if due_said and ends:  # that it is due stands above, with since when and why
            told.append(ends.strip())
        elif not due_said:
            shows = "" if plan.advice else " It is made to see that the bank still carries."
            told.append(
                f"Next test due {WallClock.day(plan.due)}{last}: {clause(say(plan.because))}.{shows}{ends}"
            )
    if plan.advice is None:
        return told if plan.without_advice is None else [*told, say(plan.without_advice)]
    spare = spare_of({system.id: system for system in sheet.systems})
    found = visit_of(discharge_visits(sheet.estate, sheet.banks, spare), state.id)
    if found is None:
        return told
    visit, discharge = found
    do, buys = discharge_words(discharge)
    if not due_said:  # else it is what to do about the test that is due
        told.append(do)
    others = [d.bank for d in visit.discharges if d.bank != state.id]
    beside = f", with {banks_named(others)}" if others else ""
    comes = f"it comes on {WallClock.day(visit.on)}{beside}."
    if visit.on < today:
        comes = f"it was to come on {WallClock.day(visit.on)}{beside}; none was seen since: make it on the next day that suits."
    return [*told, buys, f"In the plan of the site {comes}"]
