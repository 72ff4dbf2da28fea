"""What people do: deeds on alarms and incidents, and the declaration of a change of equipment."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, assert_never

from rules.alarms.conditions.condition import Condition
from rules.alarms.lifecycle import operators
from rules.alarms.lifecycle.alarm import add_note
from rules.alarms.lifecycle.course import Observation
from rules.monitor.inputs import OperatorAction, OperatorCommand
from rules.monitor.outputs import RefusedCommand
from rules.monitor.transition import Draft
from rules.monitor.unit_memory import declared
from rules.values.code import Code
from rules.values.reason import Reason, reason


def act(draft: Draft, action: OperatorAction) -> None:
    """Carry out an operator's action, on an alarm or on all of an incident."""
    incident = draft.store.incidents.get(action.alarm)
    if action.deed is OperatorCommand.ACKNOWLEDGE and incident is not None:
        for member in incident.members:
            _do(draft, replace(action, alarm=member))
        return
    why = _do(draft, action)
    if why is not None:
        draft.changes.append(RefusedCommand(action, why))


def _do(draft: Draft, action: OperatorAction) -> Reason | None:
    """Carry out an action; return why it cannot be done, or None."""
    alarm = draft.store.alarms.get(action.alarm)
    if alarm is None:
        return reason(Code.REFUSED_NO_ALARM)
    kind = draft.book.entry(alarm.kind, alarm.about)
    who: dict[str, Any] = {"by": action.who, "note": action.why, "now_s": draft.now_s, "at": draft.at}
    now: dict[str, Any] = {"now_s": draft.now_s, "at": draft.at}
    match action.deed:
        case OperatorCommand.ACKNOWLEDGE:
            result = operators.acknowledge(alarm, **who)
        case OperatorCommand.RESET:
            result = operators.reset(alarm, **who)
        case OperatorCommand.SHELVE:
            if action.until is None or action.until <= draft.at:
                return reason(Code.REFUSED_NO_END)
            result = operators.shelve(alarm, kind, until=action.until, **who)
        case OperatorCommand.UNSHELVE:
            result = operators.unshelve(alarm, kind, **now)
        case OperatorCommand.TAKE_OUT_OF_SERVICE:
            result = operators.take_out_of_service(alarm, kind, **who)
        case OperatorCommand.RETURN_TO_SERVICE:
            result = operators.return_to_service(alarm, kind, **now)
        case OperatorCommand.NOTE:
            result = add_note(alarm, by=action.who, text=action.why, at=draft.at), ()
        case _:
            assert_never(action.deed)
    if result[0] is alarm:
        return reason(Code.REFUSED_BY_STATE, state=alarm.state)
    draft.keep(result)
    return None


def declare(draft: Draft, unit: str) -> None:
    """Take in that a change of equipment was declared: what stands there is learnt anew."""
    memory = draft.store.units.get(unit)
    if memory is None:
        return
    draft.store.put_unit(declared(memory))
    draft.found((Condition("different_equipment", unit, Observation(False)),))
    draft.event(
        "equipment_declared",
        unit,
        reason(Code.EQUIPMENT_DECLARED, unit, name=draft.book.topology.name(unit)),
    )
