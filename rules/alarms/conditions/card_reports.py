"""The card's own alarms, and which of them say nothing new."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from rules.alarms.catalogue import CARD_ALARMS, CardAlarm, Explanation
from rules.alarms.conditions.condition import Condition
from rules.alarms.lifecycle.alarm import Alarm
from rules.alarms.lifecycle.course import Observation
from rules.plant.estate import Unit
from rules.plant.reading import Reading
from rules.values.code import Code
from rules.values.reason import advised, reason


def card_conditions(
    reading: Reading,
    unit: Unit,
    system_name: str,
    remembered: Mapping[tuple[str, str], Alarm],
    ours: frozenset[str],
) -> Iterator[Condition]:
    """Yield the conditions of the card's own alarms.

    `remembered`: the card alarms that are remembered for this unit, by kind and name; `ours`: kinds of ours that
    stand, so that the card's alarm says nothing new. One whose condition waits out its delay explains nothing.
    A row that was explained once stays so until it leaves the table: what it says was told, and cards leave rows
    behind when the cause is over.
    """
    if reading.card_alarms is None:
        for kind, name in remembered:
            yield Condition(kind, unit.id, Observation(None), name)
        return
    present = set(reading.card_alarms)
    for kind, name in remembered:
        if name not in present:
            yield Condition(kind, unit.id, Observation(False), name)
    for name in sorted(present):
        known = CARD_ALARMS.get(name)
        if known is None:
            what = reason(Code.CARD_ALARM_UNCLASSIFIED, unit.id, system=system_name, alarm=name)
            yield Condition("unclassified_card_alarm", unit.id, Observation(True, what), name)
        elif name != "upsAlarmTestInProgress":
            before = remembered.get(("card_alarm", name))
            yield Condition(
                "card_alarm",
                unit.id,
                Observation(
                    True,
                    reason(Code.CARD_ALARM, unit.id, system=system_name, alarm=name),
                    advised(known.do),
                    {"card_severity": float(known.severity.rank)},
                    explained=_explained(known, ours, before),
                ),
                name,
            )


def _explained(known: CardAlarm, ours: frozenset[str], before: Alarm | None) -> tuple[str, ...]:
    if known.said_by is not None and known.said_by in ours:
        return (Explanation.SAID_ALREADY.value,)
    if before is not None and before.explained:
        return (Explanation.SAID_BEFORE.value,)
    return ()
