"""Who proved when that a card is the one in its cabinet, from what the ledger holds."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Final

from collector.storage.ledger.records import EquipmentEvent, LearntFact
from rules.planning.isolation.rows import Confirmed
from rules.plant.estate import Estate

CONFIRMATION: Final = "confirmation/1"
_PROVED: Final = "confirmed"


def confirmed(
    estate: Estate, facts: Iterable[LearntFact], equipment: Iterable[EquipmentEvent] = ()
) -> dict[str, Confirmed]:
    """Return the proofs in force, by unit.

    A later proof to the contrary is the fact in force, and counts; so does a replacement recorded after
    the proof, and a card that the estate file now declares for another unit.
    """
    replaced: dict[str, datetime] = {}
    for event in equipment:
        if event.kind == "replaced":
            replaced[event.about] = max(event.at, replaced.get(event.about, event.at))
    found: dict[str, Confirmed] = {}
    for fact in facts:
        if fact.schema != CONFIRMATION or fact.body.get("proof") != _PROVED:
            continue
        unit = str(fact.body.get("unit"))
        card = estate.card_of(unit)
        if card is None or card.id != fact.card or replaced.get(unit, fact.learnt) > fact.learnt:
            continue
        found[unit] = Confirmed(str(fact.body.get("who")), fact.learnt)
    return found
