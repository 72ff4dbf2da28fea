"""What a site tells its centre by one broker: each part when it is new, the journal until the centre has it.

Parts are retained and the newest wins, so whoever comes later has them, and all are told again after each connection: a
broker may have lost them. The journal is lost by nobody: lines go out in bundles, each behind what the centre says that it
has, and again after each connection; so neither a broker nor a centre that was away, killed or put back from a copy loses
a line. The ledger keeps them, nothing waits beside it.

The loop looks four times a second, at values of which it knows by identity whether they are new.
"""

from __future__ import annotations

import logging
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, field
from importlib.metadata import version
from secrets import token_hex
from typing import Final, Protocol

from collector.configuration import Configuration
from collector.messaging.centre import parts
from collector.messaging.centre.parts import (
    AlarmsPart,
    BankPart,
    BeatPart,
    HadPart,
    NotAPartError,
    PlantPart,
    RecordPart,
    SystemPart,
    Told,
)
from collector.messaging.delivery.letter import Telling
from collector.process.clock import Clock
from collector.storage.database import StoreError
from collector.storage.ledger.ledger import Ledger
from collector.storage.ledger.records import IncidentLine, JournalLine, Snapshot
from rules.alarms.lifecycle.alarm import Alarm
from rules.alarms.lifecycle.states import State
from rules.battery.state import BankState
from rules.planning.isolation.check import Isolation
from rules.planning.ridethrough.shutdown import Shutdown
from rules.planning.sizing.replacement import Sizes
from rules.plant.estate import Estate
from rules.plant.reading import Fault, Reading, Silence
from rules.system.hold_up.judgement import HoldUpJudgement
from rules.system.state import SystemState

log: Final = logging.getLogger(__name__)

LOOK_EVERY_S: Final = 0.25
BEAT_EVERY_S: Final = 5.0
AT_REST_EVERY_S: Final = 10.0
"""How often a system is told anew at most while only figures move; what people act on goes out at once."""
ON_BATTERY_EVERY_S: Final = 1.0
RECORD_EVERY_S: Final = 1.0
LINES: Final = 200
"""Lines of the journal in a bundle: some 100 kB."""
LASTS_S: Final = 7 * 86_400.0
"""For how long a broker keeps a part for whoever comes; how fresh it is the signs of life say, never this."""
BOOK: Final = "centre book"
"""The name of the snapshot that names this ledger's journal."""

Publish = Callable[[str, bytes, bool, float | None], Awaitable[None]]
"""Publishes a payload at a topic below `centre/`, retained or not, for so many seconds; returns once the broker has it."""


class SiteNews(Protocol):
    """What is true now (`collector.recorder.current_state.Present`)."""

    estate: Estate
    readings: dict[str, Reading]
    silences: dict[str, Silence]
    faults: dict[str, Fault]
    systems: dict[str, SystemState]
    banks: dict[str, BankState]
    hold_ups: dict[str, HoldUpJudgement]
    alarms: dict[str, Alarm]
    isolations: dict[str, Isolation]
    shutdowns: dict[str, Shutdown]
    sizes: dict[str, Sizes]


@dataclass(slots=True)
class _Sent:
    """What was told last of one system, what of it people act on, and when."""

    part: SystemPart
    matters: object
    at_s: float


@dataclass
class SiteFeed:
    """One site's telling by one broker: `run` while its connection lasts, `hear` for what the centre says that it has."""

    configuration: Configuration
    ledger: Ledger
    clock: Clock
    present: SiteNews
    told: Callable[[], Mapping[str, tuple[Telling, ...]]]
    _run: str = field(default_factory=lambda: token_hex(4))
    _number: int = 0
    _had: HadPart | None = None
    _record_sent: tuple[int, int] | None = None
    _record_due_s: float = 0.0
    _beat_due_s: float = 0.0
    _plant_sent: bool = False
    _systems: dict[str, _Sent] = field(default_factory=dict)
    _banks: dict[str, BankState] = field(default_factory=dict)
    _alarms: tuple[Alarm, ...] | None = None
    _alarms_told: Mapping[str, tuple[Telling, ...]] = field(default_factory=dict)

    def hear(self, payload: object) -> None:
        """Take in what a centre says that it has; what is none is passed over. The bundle behind it is told again."""
        if not isinstance(payload, bytes) or not 0 < len(payload) <= 1024:
            return
        try:
            said = parts.told_of(parts.HAD, payload).part
        except NotAPartError as error:
            log.info("what a centre says that it has: %s", error)
            return
        if isinstance(said, HadPart):
            self._had, self._record_sent, self._record_due_s = said, None, 0.0

    async def run(self, publish: Publish) -> None:
        """Tell until cancelled, all of it first. Raises what `publish` raises."""
        self._systems.clear()
        self._banks.clear()
        self._alarms, self._record_sent, self._plant_sent = None, None, False
        now_s = self.clock.monotonic_s()
        self._record_due_s, self._beat_due_s = now_s + RECORD_EVERY_S, now_s
        while True:
            try:
                await self.tell(publish)
            except StoreError as error:  # the recorder says so as well
                log.warning("a centre could not be told: %s", error)
            await self.clock.sleep_until(self.clock.monotonic_s() + LOOK_EVERY_S)

    async def tell(self, publish: Publish) -> None:
        """Tell once what is new."""
        if not self._plant_sent:
            await self._out(publish, parts.PLANT, self._plant())
            self._plant_sent = True
        await self._tell_alarms(publish)
        for name in self.present.estate.systems:
            await self._tell_system(publish, name)
        for name, state in list(self.present.banks.items()):
            if self._banks.get(name) is not state:
                self._banks[name] = state
                await self._out(publish, f"{parts.BANK}/{name}", BankPart(state))
        await self._tell_record(publish)
        if self.clock.monotonic_s() >= self._beat_due_s:
            self._beat_due_s = self.clock.monotonic_s() + BEAT_EVERY_S
            await self._out(publish, parts.BEAT, BeatPart())

    async def _out(self, publish: Publish, topic: str, part: parts.Part) -> None:
        self._number += 1
        told = Told(self._run, self._number, self.clock.now(), part)
        try:
            payload = parts.payload_of(told)
        except (TypeError, ValueError):  # one part that cannot be written keeps none of the others back
            log.exception("%s cannot be told to a centre: a fault in ridethrough", topic)
            return
        beat = topic == parts.BEAT
        await publish(topic, payload, not beat, None if beat else LASTS_S)

    def _plant(self) -> PlantPart:
        configuration = self.configuration
        return PlantPart(
            configuration.title,
            configuration.version,
            version("ridethrough"),
            configuration.polling.every_s,
            configuration.estate,
        )

    async def _tell_alarms(self, publish: Publish) -> None:
        now = tuple(a for a in self.present.alarms.values() if a.state is not State.NORMAL)
        told = self.told()
        if now == self._alarms and told == self._alarms_told:
            return
        open_now = await self.ledger.open_incidents()
        self._alarms, self._alarms_told = now, dict(told)
        await self._out(publish, parts.ALARMS, AlarmsPart(now, open_now, dict(told)))

    async def _tell_system(self, publish: Publish, name: str) -> None:
        state = self.present.systems.get(name)
        if state is None:
            return
        part, sent = self._part_of(state), self._systems.get(name)
        now_s, matters = self.clock.monotonic_s(), _matters(state)
        if sent is not None:
            every_s = AT_REST_EVERY_S if state.on_battery is None else ON_BATTERY_EVERY_S
            if _same(part, sent.part) or (matters == sent.matters and now_s - sent.at_s < every_s):
                return
        self._systems[name] = _Sent(part, matters, now_s)
        await self._out(publish, f"{parts.SYSTEM}/{name}", part)

    def _part_of(self, state: SystemState) -> SystemPart:
        present, system = self.present, state.id
        units = [unit.id for unit in present.estate.units_of(system)]
        played = present.shutdowns.get(system)
        return SystemPart(
            state,
            present.hold_ups.get(system),
            tuple(present.readings[u] for u in units if u in present.readings),
            tuple(present.silences[u] for u in units if u in present.silences),
            tuple(present.faults[u] for u in units if u in present.faults),
            tuple(present.isolations[u] for u in units if u in present.isolations),
            played if played is not None and played.plan is None else None,  # signed ones stay at the site
            present.sizes.get(system),
        )

    # ---- the journal: until the centre has it -------------------------------------------------------------

    async def _tell_record(self, publish: Publish) -> None:
        if self.clock.monotonic_s() < self._record_due_s:
            return
        self._record_due_s = self.clock.monotonic_s() + RECORD_EVERY_S
        book, after = await self._place()
        page = await self.ledger.events(after=after, limit=LINES)
        if not page.items or (after, page.items[-1].seq) == self._record_sent:
            return
        incidents = await self._named(page.items)
        until = page.items[-1].seq
        self._record_sent = after, until
        await self._out(publish, parts.RECORD, RecordPart(book, after, until, page.items, incidents))

    async def _place(self) -> tuple[str, int]:
        """Return the name of this journal, and the last of its lines that the centre has.

        A journal that ends before what the centre has of it was put back from an older copy: from then on it is another.
        """
        kept = await self.ledger.snapshot(BOOK)
        book = None if kept is None else str(kept.body["book"])
        had = self._had if self._had is not None and self._had.book == book else None
        newest = (await self.ledger.events(limit=1)).items if had is not None else ()
        if book is None or (had is not None and had.until > (newest[0].seq if newest else 0)):
            book, had = token_hex(8), None
            async with self.ledger.transaction(at_once=True) as tx:
                tx.save_snapshot(Snapshot(BOOK, self.clock.now(), "centre-book/1", {"book": book}))
        return book, 0 if had is None else had.until

    async def _named(self, lines: tuple[JournalLine, ...]) -> tuple[IncidentLine, ...]:
        """Return the incidents that lines name, as they stand now."""
        names = dict.fromkeys(line.incident for line in lines if line.incident is not None)
        found = [await self.ledger.incident(name) for name in names]
        return tuple(one for one in found if one is not None)


def _matters(state: SystemState) -> object:
    """Return what of a system people act on: whether it is on its banks, its verdicts, what its units do."""
    return (
        None if state.on_battery is None else state.on_battery.since,
        tuple(need.verdict for need in state.requirements),
        None if state.redundancy is None else state.redundancy.verdict,
        tuple(unit.standing for unit in state.units),
        tuple(work.stage for work in state.work),
    )


def _same(one: SystemPart, other: SystemPart) -> bool:
    """Return whether two parts are of the very same values: they are replaced whole, so identity tells."""
    return (
        one.state is other.state
        and one.judged is other.judged
        and one.shutdown is other.shutdown
        and one.sizes is other.sizes
        and all(
            len(a) == len(b) and all(x is y for x, y in zip(a, b, strict=True))
            for a, b in (
                (one.readings, other.readings),
                (one.silences, other.silences),
                (one.faults, other.faults),
                (one.isolations, other.isolations),
            )
        )
    )
