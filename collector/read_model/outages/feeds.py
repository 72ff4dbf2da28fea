"""What feeds each unit of a system on its banks: by its own card, since when by the journal.

Whether a supply that came back is mains or a generator, no card says. When a unit on its bank is due back is reckoned from what
is declared of it, once voltage stands at an input again.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Final

from collector.read_model.sheet import Fed, Sheet, ShownEvent
from rules.plant.estate import Unit
from rules.system.state import OnBattery, Standing, SystemState

_SETTLED: Final = timedelta(seconds=90)


class FedBy(StrEnum):
    """What feeds a unit's load."""

    SUPPLY = "supply"
    BANK = "bank"
    BYPASS = "bypass"
    NOTHING = "nothing"
    UNKNOWN = "unknown"


STANDS: Final[Mapping[Standing, FedBy]] = {
    Standing.CARRYING: FedBy.SUPPLY,
    Standing.RESTING: FedBy.SUPPLY,
    Standing.IDLE: FedBy.SUPPLY,
    Standing.ON_BATTERY: FedBy.BANK,
    Standing.BYPASS: FedBy.BYPASS,
    Standing.OFF: FedBy.NOTHING,
    Standing.ISOLATED: FedBy.NOTHING,
    Standing.SILENT: FedBy.UNKNOWN,
    Standing.UNKNOWN: FedBy.UNKNOWN,
}
_TOLD: Final[Mapping[str, FedBy]] = {
    "supply": FedBy.SUPPLY,
    "mains": FedBy.SUPPLY,
    "generator": FedBy.SUPPLY,
    "banks": FedBy.BANK,
    "bypass": FedBy.BYPASS,
    "none": FedBy.NOTHING,
}


@dataclass(frozen=True, slots=True)
class FedSpan:
    """What fed a unit from a moment on, until the next of them."""

    at: datetime
    by: FedBy


@dataclass(frozen=True, slots=True)
class UnitFeed:
    """What feeds a unit now. `since` None: not known. `lost`: it was on its bank in this outage. `due_back`: as declared."""

    unit: str
    by: FedBy
    since: datetime | None
    lost: bool
    due_back: datetime | None
    spans: tuple[FedSpan, ...]


def unit_feeds(sheet: Sheet, system: str) -> tuple[UnitFeed, ...]:
    """Return what feeds each unit of a system that is on its banks; of another one, nothing."""
    state = sheet.system(system)
    if state is None or state.on_battery is None:
        return ()
    event = outage_of(sheet, system)
    told = () if event is None else event.fed
    return tuple(_feed(state, state.on_battery, unit, told) for unit in sheet.estate.units_of(system))


def fed_again(feeds: Sequence[UnitFeed]) -> int:
    """Return how many units that were on their banks in this outage are fed by the supply again."""
    return sum(feed.lost and feed.by is FedBy.SUPPLY for feed in feeds)


def outage_of(sheet: Sheet, system: str) -> ShownEvent | None:
    """Return the outage that a system is in, as the journal has it; None while the journal was not read since it began."""
    going = [e for e in sheet.events if e.kind == "outage" and e.system == system and e.until is None]
    return max(going, key=lambda event: event.at, default=None)


def _feed(state: SystemState, on: OnBattery, unit: Unit, told: Sequence[Fed]) -> UnitFeed:
    standing = next((one.standing for one in state.units if one.id == unit.id), Standing.UNKNOWN)
    by = STANDS[standing]
    mine = sorted(
        (one for one in told if one.unit == unit.id and one.source in _TOLD), key=lambda one: one.at
    )
    spans = tuple(FedSpan(one.at, _TOLD[one.source]) for one in mine)
    lost = any(span.by is FedBy.BANK for span in spans) or by is FedBy.BANK
    since = spans[-1].at if spans and spans[-1].by is by else None
    if since is None and by is FedBy.BANK and not any(span.by is FedBy.BANK for span in spans):
        since = on.since  # the journal is read every few seconds, and the outage is younger
    if since is not None and by is FedBy.SUPPLY and since < on.since - _SETTLED / 2:
        since = None  # it was never lost
    if not spans:
        spans = (
            FedSpan(on.since - _SETTLED, FedBy.SUPPLY),
            *((FedSpan(on.since, by),) if by is FedBy.BANK else ()),
        )
    due = None
    if by is FedBy.BANK and on.offered_since is not None:
        wait_s = unit.accept_s + unit.hold_off_s + unit.walk_in_s
        due = on.offered_since + timedelta(seconds=wait_s)
    return UnitFeed(unit.id, by, since, lost, due, spans)
