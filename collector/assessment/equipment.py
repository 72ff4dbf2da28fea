"""What people recorded of equipment replaced: held against the estate file, and against what the cards say."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import timedelta
from typing import Final

from collector.storage.ledger import Ledger
from collector.storage.ledger.records import EquipmentEvent
from rules.alarms.lifecycle.alarm import Alarm
from rules.plant.estate import Estate

DECLARED_BEFORE: Final = timedelta(days=31)
"""A replacement may be recorded so long before the new cabinet's card answers."""


def file_behind(estate: Estate, events: Iterable[EquipmentEvent]) -> tuple[str, ...]:
    """Return what recorded replacements the estate file does not show yet, one sentence each."""
    behind = []
    for event in events:
        if event.kind != "replaced":
            continue
        day = event.at.date()
        place = estate.banks.get(event.about) or estate.units.get(event.about)
        if place is not None and day not in [f.from_day for f in place.fitted]:
            behind.append(
                f"{event.about} was replaced on {day} (recorded by {event.author}), and the estate file has no "
                f"`from = {day}` for it."
            )
    return tuple(behind)


async def units_replaced(alarms: Iterable[Alarm], ledger: Ledger) -> tuple[str, ...]:
    """Return the units taken for other equipment whose replacement was recorded, before it or after."""
    standing = {
        a.about: a.since
        for a in alarms
        if a.kind == "different_equipment" and a.condition and a.since is not None
    }
    if not standing:
        return ()
    return tuple(
        {
            event.about: None
            for event in await ledger.equipment()
            if event.kind == "replaced"
            and event.about in standing
            and event.recorded >= standing[event.about] - DECLARED_BEFORE
        }
    )
