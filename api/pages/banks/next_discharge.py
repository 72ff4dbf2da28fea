"""When a bank is tested next: the day by its interval, and the discharge that pays, or why none does."""

from __future__ import annotations

from datetime import date

from collector.read_model.wall_clock import WallClock
from rules.battery.assessment.faults import TEST_DUE
from rules.battery.assessment.next_discharge.advised import discharge_buys, discharge_risks, do_discharge
from rules.battery.state import BankState
from rules.phrasing.figures import clause, whole_percent
from rules.phrasing.reasons import say


def tests_said(state: BankState, today: date) -> list[str]:
    """Return what is said of a bank's tests, a paragraph each."""
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
        when = "Next test due" if plan.due >= today else "A test was due"
        told.append(f"{when} {WallClock.day(plan.due)}{last}: {clause(say(plan.because))}.{ends}")
    advice = plan.advice
    if advice is None:
        return told if plan.without_advice is None else [*told, say(plan.without_advice)]
    if not due_said:  # else it is what to do about the test that is due
        told.append(say(do_discharge(state.id, advice)))
    return [*told, f"{say(discharge_buys(advice))} {say(discharge_risks(advice))}"]
