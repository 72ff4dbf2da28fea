"""What a site tells a centre, part by part: its plant, its systems, its banks, its alarms, its journal.

Below `TOPICS_BELOW/COLLECTOR/centre/`. All but `beat` is retained; of all but `record` the newest wins. A part is the
rules' own values in their plain form (`rules.values.serial`), under the ids of the site: the centre puts the site's name
before them. What the site judged is told as it was judged; nothing of it is reckoned anew at the centre.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Any, Final, TypeVar
from zoneinfo import ZoneInfo

from collector.messaging.delivery.letter import Telling
from collector.storage.ledger.records import IncidentLine, JournalLine
from rules.alarms.lifecycle.alarm import Alarm
from rules.battery.state import BankState
from rules.planning.isolation.check import Isolation
from rules.planning.ridethrough.shutdown import Shutdown
from rules.planning.sizing.replacement import Sizes
from rules.plant.estate import Estate
from rules.plant.reading import Fault, Reading, Silence
from rules.system.hold_up.judgement import HoldUpJudgement
from rules.system.state import SystemState
from rules.values.serial import from_plain, to_plain

P = TypeVar("P")

BELOW: Final = "centre"
PLANT, SYSTEM, BANK, ALARMS, RECORD, BEAT, HAD = "plant", "system", "bank", "alarms", "record", "beat", "had"
"""What stands in topics behind `centre/`; behind `system` and `bank` an id."""
QUIET_AFTER_S: Final = 20.0
"""A site of which nothing is heard for so long is quiet: four signs of life, and never under the 15 s within which evidence is fresh."""


@dataclass(frozen=True, slots=True)
class PlantPart:
    """What is installed, and by which version of the estate file and of the program it is watched."""

    title: str
    version: str
    program: str
    poll_s: float
    estate: Estate


@dataclass(frozen=True, slots=True)
class SystemPart:
    """One system as it is judged, and what of its units that was judged from."""

    state: SystemState
    judged: HoldUpJudgement | None = None
    readings: tuple[Reading, ...] = ()
    silences: tuple[Silence, ...] = ()
    faults: tuple[Fault, ...] = ()
    isolations: tuple[Isolation, ...] = ()
    shutdown: Shutdown | None = None
    sizes: Sizes | None = None


@dataclass(frozen=True, slots=True)
class BankPart:
    """One bank as it is judged."""

    state: BankState


@dataclass(frozen=True, slots=True)
class AlarmsPart:
    """All alarms that are not normal, the incidents that are open, and who was told of them."""

    alarms: tuple[Alarm, ...] = ()
    incidents: tuple[IncidentLine, ...] = ()
    told: Mapping[str, tuple[Telling, ...]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class RecordPart:
    """Lines of the journal behind number `after`, the last of which is `until`, and the incidents they name as they stand.

    `book` names the journal: another one counts from the beginning.
    """

    book: str
    after: int
    until: int
    lines: tuple[JournalLine, ...] = ()
    incidents: tuple[IncidentLine, ...] = ()


@dataclass(frozen=True, slots=True)
class BeatPart:
    """A sign that the site lives, and within how many seconds the next one is heard, or it is quiet."""

    next_within_s: float = QUIET_AFTER_S


@dataclass(frozen=True, slots=True)
class HadPart:
    """What a centre has of a site's journal: all lines of `book` up to number `until`."""

    book: str
    until: int


LARGEST_BYTES: Final = 64 * 2**20
"""Of a part, unpacked."""

Part = PlantPart | SystemPart | BankPart | AlarmsPart | RecordPart | BeatPart | HadPart
_KINDS: Final[Mapping[str, type[Any]]] = {
    PLANT: PlantPart,
    SYSTEM: SystemPart,
    BANK: BankPart,
    ALARMS: AlarmsPart,
    RECORD: RecordPart,
    BEAT: BeatPart,
    HAD: HadPart,
}


@dataclass(frozen=True, slots=True)
class Told:
    """One part with when it was told, in which run of the teller (`start`), and as the how manyth since then (`number`)."""

    start: str
    number: int
    at: datetime
    part: Part


class NotAPartError(ValueError):
    """What was published is no part that this version can read."""


def payload_of(told: Told) -> bytes:
    """Return a part as it goes out: JSON, packed, since a line to a site may be thin."""
    return zlib.compress(text_of(told).encode())


def text_of(told: Told) -> str:
    """Return a part as JSON."""
    plain = {
        "start": told.start,
        "number": told.number,
        "at": told.at.isoformat(),
        "part": to_plain(told.part),
    }
    return json.dumps(plain, allow_nan=False, ensure_ascii=False, separators=(",", ":"))


def told_of(topic: str, payload: bytes) -> Told:
    """Return what was published, by the part of its topic behind `centre/`. Raises NotAPartError."""
    unpacked = zlib.decompressobj()
    try:
        text = unpacked.decompress(payload, LARGEST_BYTES)
    except zlib.error as error:
        raise NotAPartError(f"{topic}: {error}") from None
    if not unpacked.eof:
        raise NotAPartError(f"{topic}: it is cut off, or larger than {LARGEST_BYTES // 2**20} MiB")
    return told_in(topic, text)


def told_in(topic: str, text: str | bytes) -> Told:
    """Return what was told, of its JSON. Raises NotAPartError."""
    kind = _KINDS.get(topic.partition("/")[0])
    if kind is None:
        raise NotAPartError(f"{topic}: there is no such part")
    try:
        plain = json.loads(text)
        at = datetime.fromisoformat(plain["at"]).astimezone(UTC)
        told = Told(str(plain["start"]), int(plain["number"]), at, from_plain(kind, plain["part"]))
        return replace(told, part=_sound(told.part)) if isinstance(told.part, PlantPart) else told
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError, OverflowError) as error:
        raise NotAPartError(f"{topic}: {type(error).__name__}: {str(error)[:200]}") from None


def loose_end(estate: Estate) -> str | None:
    """Return what in a plant leads nowhere, None where it hangs together: whoever shows it looks things up without asking."""
    every: tuple[Mapping[str, Any], ...] = (
        estate.sites, estate.supplies, estate.generators, estate.systems, estate.units, estate.cards, estate.banks,
        estate.load_groups,
    )  # fmt: skip
    for things in every:
        for name, thing in things.items():
            if thing.id != name or not name or ":" in name:
                return f"{name[:60]!r} is no name of its own"
    ways: list[tuple[str, str | None, Mapping[str, Any]]] = [
        *((s.id, s.site, estate.sites) for s in estate.supplies.values()),
        *((s.id, s.generator, estate.generators) for s in estate.supplies.values()),
        *((s.id, s.site, estate.sites) for s in estate.systems.values()),
        *((s.id, s.supply, estate.supplies) for s in estate.systems.values()),
        *((s.id, s.partner, estate.systems) for s in estate.systems.values()),
        *((u.id, u.system, estate.systems) for u in estate.units.values()),
        *((g.id, g.system, estate.systems) for g in estate.load_groups.values()),
        *((c.id, unit, estate.units) for c in estate.cards.values() for unit in c.covers),
        *((b.id, unit, estate.units) for b in estate.banks.values() for unit in b.feeds),
    ]
    astray = next((one for one, to, among in ways if to is not None and to not in among), None)
    if astray is not None:
        return f"{astray!r} leads nowhere"
    if not all(one.covers for one in estate.cards.values()) or not all(
        b.feeds for b in estate.banks.values()
    ):
        return "a card or a bank is nobody's"
    return (
        None if set(estate.systems) == {u.system for u in estate.units.values()} else "a system has no unit"
    )


def _sound(part: PlantPart) -> PlantPart:
    """Return a plant with the clocks of its sites, which go by name.

    Raises ValueError, KeyError for an unknown zone, and where something in it leads nowhere.
    """
    if wrong := loose_end(part.estate):
        raise ValueError(wrong)
    sites = {name: replace(s, zone=ZoneInfo(s.time_zone)) for name, s in part.estate.sites.items()}
    return replace(part, estate=replace(part.estate, sites=sites))
