"""What one judgement of a bank says of its alarms."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import date
from typing import Final

from rules.alarms.catalogue import AlarmKind, Explanation
from rules.alarms.conditions.condition import Condition, Was
from rules.alarms.lifecycle.course import Observation
from rules.battery.assessment.charging import CHARGER_LOST, NOT_RECHARGED, RECHARGE_SLOW, RUNAWAY
from rules.battery.assessment.faults import (
    BLOCK_OUT_OF_LINE,
    CAPACITY_FELL,
    NOT_SHOWN,
    OPEN_STRING,
    RESISTANCE_UP,
    SHORTED_CELL,
    TEST_DUE,
    UNDERSIZED,
)
from rules.battery.state import BankState
from rules.plant.estate import Bank, in_place
from rules.values.code import Code
from rules.values.constants import DAYS_A_YEAR
from rules.values.reason import reason
from rules.values.verdict import Verdict

_FINDINGS: Final[Mapping[str, tuple[str, ...]]] = {
    "bank_will_not_carry": (OPEN_STRING, NOT_SHOWN),
    "bank_runaway": (RUNAWAY,),
    "charger_lost": (CHARGER_LOST, NOT_RECHARGED),
    "bank_suspect": (SHORTED_CELL, RESISTANCE_UP, BLOCK_OUT_OF_LINE, CAPACITY_FELL, RECHARGE_SLOW),
    "bank_too_small": (UNDERSIZED,),
    "bank_not_shown": (NOT_SHOWN,),
    "bank_test_due": (TEST_DUE,),
}
"""Which findings of a judgement raise which alarm; the others are shown beside the bank only."""
_GRAVE: Final = frozenset(("critical", "major"))


def bank_conditions(
    state: BankState, bank: Bank, today: date, kind: AlarmKind, was: Was
) -> Iterator[Condition]:
    """Yield every condition that one judgement of a bank decides. `kind` is `bank_past_age`."""
    fitted = in_place(bank.fitted, today)
    fraction: float | None = None
    what = None
    if fitted is not None and fitted.design_life_years:
        years = (today - fitted.from_day).days / DAYS_A_YEAR
        age_years = max(years, state.effective_age_years or 0.0)
        fraction = age_years / fitted.design_life_years
        what = reason(
            Code.BANK_PAST_AGE,
            bank.id,
            years=years,
            worn_years=age_years if age_years > years + 0.05 else None,
            design_life_years=fitted.design_life_years,
        )
    past = kind.bound.passed(fraction, was=was(kind.id, ""))
    yield Condition(kind.id, bank.id, Observation(past, what, facts={"age_fraction": fraction}))
    dates = state.dates
    # What is ordered must be what helps: the same again would be too small again.
    larger = next((f.do for f in state.findings if f.kind == UNDERSIZED), None)
    unknown = False if state.unproven else None  # what nothing was seen of is neither over nor left as it was
    by, early, late = dates.replace_by, dates.ends_early, dates.ends_late
    overdue = unknown if by is None else by <= today
    due = (
        reason(Code.BANK_RENEW_NOW, bank.id)
        if by is None or by == today
        else reason(Code.BANK_RENEWAL_MISSED, bank.id, by=by, early=early, late=late, today=today)
    )
    until = None if larger is None else reason(Code.DO_RENEW_LARGER, offers=state.offers)
    yield Condition("bank_replace_now", bank.id, Observation(overdue, due, until))
    order = unknown if dates.order_by is None else dates.order_by <= today
    ordered = reason(
        Code.BANK_ORDER_NOW,
        bank.id,
        lead_days=bank.order_lead_days,
        by=by,
        early=early,
        late=late,
        today=today,
    )
    said = (Explanation.SAID_ALREADY.value,) if overdue else ()
    yield Condition("bank_order_now", bank.id, Observation(order, ordered, larger, explained=said))
    charging = state.charging
    wrong = None if charging.verdict is Verdict.CANNOT_TELL else charging.verdict is Verdict.INADEQUATE
    what = reason(Code.CHARGING_WRONG, bank.id, because=charging.because)
    yield Condition("charging_wrong", bank.id, Observation(wrong, what))
    yield from _bank_findings(state)


def _bank_findings(state: BankState) -> Iterator[Condition]:
    """Yield the alarms that a bank's findings ask for. A bank that failed its load is told as that alone."""
    for kind, names in _FINDINGS.items():
        found = [f for f in state.findings if f.kind in names]
        if kind == "bank_will_not_carry":
            found = [f for f in found if f.severity in _GRAVE]
        elif kind == "bank_not_shown":
            found = [f for f in found if f.severity not in _GRAVE]
        findings = tuple(f.what for f in found)
        what = reason(Code.BANK_FINDINGS, state.id, findings=findings) if found else None
        # which bank would do instead, the finding says by figures; of others the catalogue says what to do
        do = found[0].do if found and kind == "bank_too_small" else None
        yield Condition(kind, state.id, Observation(bool(found), what, do))
