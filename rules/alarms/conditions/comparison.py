"""What sets the units of one system apart, as alarms of the system; and whether it could take its partner's load."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import timedelta
from typing import Final

from rules.alarms.catalogue import AlarmKind, Explanation
from rules.alarms.conditions.condition import Condition, Known, Was
from rules.alarms.lifecycle.course import Observation
from rules.system.parallel import MERELY_UNSEEN
from rules.system.state import Finding, FindingKind, Standing, SystemState
from rules.values.code import Code
from rules.values.reason import Reason, reason
from rules.values.verdict import Verdict

NOW: Final[Mapping[FindingKind, str]] = {
    FindingKind.SHARE_REACTIVE: "reactive_share",
    FindingKind.CIRCULATING: "circulating_current",
    FindingKind.IDLE: "not_seen_carrying",
    FindingKind.LEFT_OUT: "figure_left_out",
    FindingKind.VOLTAGE: "voltage_apart",
    FindingKind.FREQUENCY: "frequency_apart",
    FindingKind.SOURCE: "two_sources",
    FindingKind.FIRMWARE: "software_differs",
    FindingKind.SETTINGS: "settings_differ",
    FindingKind.RATING: "rating_differs",
}
"""Which alarm tells what is so now. One alarm for a system: a difference between two units is one thing."""

PAST: Final[Mapping[FindingKind, str]] = {
    FindingKind.LATE_BACK: "late_back",
    FindingKind.NOT_ON_BATTERY: "stayed_on_mains",
}
"""Which alarm tells what the last call on the banks showed."""

TOLD_BY_READINGS: Final[Mapping[FindingKind, str]] = {
    FindingKind.SHARE_REAL: "load_share",
    FindingKind.PHASES: "phase_imbalance",
    FindingKind.ALONE_ON_BATTERY: "on_battery",
    FindingKind.NOT_ON_BATTERY: "not_on_battery",
}
"""Which alarm of the readings themselves tells what is so now already: these findings are shown only."""

PAST_STANDS: Final = timedelta(hours=1)
"""So long after a call its alarms are present; then they stay latched until somebody resets them."""


def sibling_conditions(state: SystemState, known: Known) -> Iterator[Condition]:
    """Yield what the findings of one judgement of a system say of its alarms.

    While a unit is not seen, what was found may have gone unseen as well, and nothing clears.
    """
    blind = state.as_of is None or any(u.standing in MERELY_UNSEEN for u in state.units)
    for kind, alarm in NOW.items():
        found = [f for f in state.findings if f.kind is kind and f.at is None]
        because = _said_by_bypass(state, found, known) if kind is FindingKind.SOURCE else ()
        yield Condition(
            alarm, state.id, Observation(True if found else None if blind else False, _say(state, found), explained=because)
        )  # fmt: skip
    for kind, alarm in PAST.items():
        found = [f for f in state.findings if f.kind is kind and f.at is not None]
        fresh = any(
            f.at is not None and state.as_of is not None and state.as_of - f.at < PAST_STANDS for f in found
        )
        said = kind is FindingKind.LATE_BACK and _told_meanwhile(found, state.id, known)
        because = (Explanation.SAID_ALREADY.value,) if said else ()
        yield Condition(alarm, state.id, Observation(fresh, _say(state, found), explained=because))


def partner_condition(state: SystemState, kind: AlarmKind, was: Was) -> Condition:
    """Return whether a system could no longer take its partner's load."""
    pair = state.partner
    if pair is None:
        return Condition(kind.id, state.id, Observation(False))
    near = kind.bound.passed(pair.margin_fraction, was=was(kind.id, "")) or False
    judged = pair.verdict is not Verdict.CANNOT_TELL
    because = pair.because[:1]
    what = reason(Code.PARTNER_NOT_TAKEN, state.id, name=state.name, because=because)
    facts = {"margin_fraction": pair.margin_fraction}
    present = (pair.verdict is Verdict.INADEQUATE or near) if judged else None
    return Condition(kind.id, state.id, Observation(present, what, facts=facts))


def _say(state: SystemState, found: Sequence[Finding]) -> Reason | None:
    if not found:
        return None
    by_weight = sorted(found, key=lambda f: -abs(f.value or 0.0))
    worst = tuple(f.because for f in by_weight[:2])
    more = len(by_weight) - len(worst)
    return reason(Code.UNITS_DIFFER, state.id, name=state.name, findings=worst, more=more)


def _said_by_bypass(state: SystemState, found: Sequence[Finding], known: Known) -> tuple[str, ...]:
    """Return why nothing more need be said: each unit named is on bypass against its normal mode, its own alarm."""
    on_bypass = {
        u.id
        for u in state.units
        if u.standing is Standing.BYPASS and (a := known("on_bypass", u.id)) is not None and a.standing
    }
    said = bool(found) and all(f.about in on_bypass for f in found)
    return (Explanation.SAID_ALREADY.value,) if said else ()


def _told_meanwhile(found: Sequence[Finding], system: str, known: Known) -> bool:
    """Return whether every late unit was told of while it was still on its bank: its alarm stood in that call.

    Once that is found it stays so: the unit's alarm may be forgotten when somebody has acknowledged it.
    """
    if not found:
        return False
    before = known("late_back", system)
    if before is not None and before.condition is True and before.explained:
        return True
    stood = (known("still_on_battery", f.about) for f in found)
    began = [f.at for f in found if f.at is not None]
    return all(a is not None and a.since is not None and a.since >= min(began) for a in stood)
