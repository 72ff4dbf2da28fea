"""The card's own alarms, and which of them say nothing new."""

from __future__ import annotations

from collections.abc import Iterator

from rules.alarms.catalogue import CARD_ALARMS, Explanation
from rules.alarms.conditions.found import Found
from rules.alarms.lifecycle import Observation
from rules.estate import Unit
from rules.reading import Reading


def card_conditions(
    reading: Reading,
    unit: Unit,
    system_name: str,
    standing: tuple[tuple[str, str], ...],
    here: frozenset[str],
) -> Iterator[Found]:
    """Yield the conditions of the card's own alarms.

    `standing`: (kind, name) of card alarms that are remembered for this unit; `here`: kinds of ours whose
    condition is present, so that the card's alarm says nothing new.
    """
    if reading.card_alarms is None:
        for kind, name in standing:
            yield Found(kind, unit.id, Observation(None), name)
        return
    present = set(reading.card_alarms)
    for kind, name in standing:
        if name not in present:
            yield Found(kind, unit.id, Observation(False), name)
    for name in sorted(present):
        known = CARD_ALARMS.get(name)
        if known is None:
            what = (
                f"The card of unit {unit.id} ({system_name}) reports {name}, which only its maker can name."
            )
            yield Found("unclassified_card_alarm", unit.id, Observation(True, what), name)
        elif name != "upsAlarmTestInProgress":
            said = known.said_by is not None and known.said_by in here
            yield Found(
                "card_alarm",
                unit.id,
                Observation(
                    True,
                    f"Unit {unit.id} ({system_name}) {known.says}.",
                    known.do,
                    {"card_severity": float(known.severity.rank)},
                    explained=(Explanation.SAID_ALREADY.value,) if said else (),
                ),
                name,
            )
