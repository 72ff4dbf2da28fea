"""Two weeks of a site of ten units and of the three people who look after it: what happens, who answers, who was told what.

The service is whole; nothing stands between it and the simulated plant but the sockets and the real time (`tests.audit`).
Cards are read once a minute at rest and notify it when something begins, as sites do that have many; all else is as it
comes. Christmas and New Year lie in it, the duty goes over in the midst of an outage, one person answers what they get,
one never does, and a way to people is dead for a night.
"""

from __future__ import annotations

import asyncio
import math
import shutil
import tempfile
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import timedelta
from pathlib import Path
from typing import Final, cast

from collector.configuration import Configuration
from collector.configuration.people.people import People
from collector.messaging.channels.channel import ChannelDown
from collector.messaging.delivery.letter import LETTER, Letter
from collector.messaging.delivery.taking_on import NotTakenOn
from collector.process.clock import TurnedClock
from collector.service.service import Service
from collector.simulation.plant import world as worlds
from collector.simulation.plant.unit import Mode
from collector.simulation.scenario.director import (
    Cue,
)
from collector.storage.ledger.discharge_record import shown_id
from collector.storage.ledger.records import Evidence, Outgoing
from rules.alarms.incidents.incident import NoticeKind
from rules.alarms.quality import Quality
from rules.values.serial import to_plain
from rules.values.severity import Severity
from tests.audit.estates import AuditEstate
from tests.audit.happenings import ServiceRestarts
from tests.audit.play import MEMORY, without_planning
from tests.audit.wire import Ether, InlineLoop, QuickClock, joined
from tests.audit.world import World
from tests.backtest.fortnight_site import ADA, BEN, CLEO, DAYS, DEAD, START, TenUnits, cues, day_of, people

ANSWERS_AFTER_S: Final = {ADA: 90.0, CLEO: 240.0}
"""How long after a message somebody takes on what it is about. Ben never does."""
RESTS_S: Final = 120.0
"""While nothing happens whoever looks now and then looks once in so many seconds, and the plant goes in such steps."""
BEFORE_S: Final = 60.0
AFTER_S: Final = 180.0
READ_EVERY_S: Final = 300.0


@dataclass(frozen=True, slots=True)
class Delivered:
    """One message that reached a person: when, by what way, and all of it."""

    at_s: float
    person: str
    by: str
    letter: Letter
    held: tuple[str, ...] = ()


@dataclass
class Way:
    """One way to people: it takes every letter, but for the times in which it is dead."""

    id: str
    clock: TurnedClock
    dead: Sequence[tuple[float, float]] = ()
    batch: int = 1
    came: list[Delivered] = field(default_factory=list)

    async def run(self) -> None:
        """Hold nothing open."""
        await asyncio.Event().wait()

    async def send(self, message: Outgoing) -> str:
        """Take a letter. Raises ChannelDown."""
        at_s = (self.clock.now() - START).total_seconds()
        if any(begins <= at_s < ends for begins, ends in self.dead):
            raise ChannelDown("the gateway does not answer")
        if message.schema == LETTER:
            letter = Letter.of(message.body)
            self.came.append(Delivered(at_s, letter.person, self.id, letter))
        return "taken"


class RestingClock(QuickClock):
    """A turned clock by which whoever only looks now and then looks on a grid of `grid_s` while nothing happens."""

    grid_s: float = 0.0

    async def sleep_until(self, monotonic_s: float) -> None:
        """Wait until somebody turns the clock that far, or to the next moment of the grid."""
        if self.grid_s:
            monotonic_s = math.ceil(monotonic_s / self.grid_s) * self.grid_s
        await super().sleep_until(monotonic_s)


class WireClock(QuickClock):
    """The same clock for the wire, where a deadline is a deadline."""

    def __init__(self, clock: RestingClock) -> None:
        self._clock = clock

    def monotonic_s(self) -> float:
        """Return the seconds it was turned by."""
        return self._clock.monotonic_s()

    async def sleep_until(self, monotonic_s: float) -> None:
        """Wait until somebody turns the clock that far."""
        await QuickClock.sleep_until(self._clock, monotonic_s)


class LongWorld(World):
    """A plant that keeps its present state alone, and goes in long steps while it rests."""

    def __init__(self, estate: AuditEstate, clock: TurnedClock, plant: list[Cue]) -> None:
        super().__init__(estate, clock, plant, {})
        self._at_s = 0
        self.rows_moved: set[str] = set()

    @property
    def at_s(self) -> int:
        """Return how far it has come, in s."""
        return self._at_s

    @property
    def rests(self) -> bool:
        """Return whether every unit is fed and every mains there."""
        modes = [unit.mode for system in self._state.systems.values() for unit in system.units]
        return all(s.mains for s in self._state.supplies.values()) and all(
            mode in (Mode.NORMAL, Mode.ISOLATED) for mode in modes
        )

    def advance(self) -> None:
        """Play on to the clock's present second, each cue at its own."""
        target = int(self._clock.monotonic_s() - self._clock_began_s + 1e-6)
        while self._at_s < target:
            self._happen_due()
            until = min(target, int(self._cues[0].at_s)) if self._cues else target
            step = 1 if not self.rests else max(min(until - self._at_s, int(RESTS_S)), 1)
            self._state = worlds.after(self._plant, self._state, float(step))
            self._at_s += step
            for name, card in self.cards.items():
                before = dict(card.rows.rows)
                self._raise_alarms(card)
                if card.rows.rows != before and not card.agent.faults.hang:
                    self.rows_moved.add(name)


@dataclass
class Fortnight:
    """What came of it."""

    came: list[Delivered]
    quality: Quality
    answered: list[tuple[float, str, str]]
    people: People

    def days(self) -> dict[str, dict[int, int]]:
        """Return how many messages each person got on each day of their own clock."""
        found: dict[str, dict[int, int]] = {name: {} for name in (ADA, BEN, CLEO)}
        for one in self.came:
            day = day_of(one.at_s)
            found[one.person][day] = found[one.person].get(day, 0) + 1
        return found


def played(*, begin_s: float = 0.0, days: float = DAYS, seed: int = 21) -> Fortnight:
    """Play the two weeks, or some days of them from a second on."""
    with asyncio.Runner(loop_factory=InlineLoop) as runner:
        return runner.run(_Weeks(begin_s, days, seed).played())


class _Weeks:
    def __init__(self, begin_s: float, days: float, seed: int) -> None:
        self.begin_s = begin_s
        self.lasts_s = days * 86_400.0
        began = START + timedelta(seconds=begin_s)
        self.site = TenUnits(seed, began).drawn()
        self.clock = RestingClock(began)
        self.lively_until_s = 300.0
        known = tuple(replace(c, at_s=c.at_s - begin_s) for c in cues() if c.at_s > begin_s)
        self.restarts = [c for c in known if isinstance(c.event, ServiceRestarts)]
        plant = [Cue(c.at_s, c.event) for c in known if not isinstance(c.event, ServiceRestarts)]  # type: ignore[arg-type]
        self.moments = [c.at_s for c in known]
        self.world = LongWorld(self.site, self.clock, plant)
        self.ways = {
            "phone": Way("phone", self.clock, DEAD),
            "mail": Way("mail", self.clock),
        }
        self.asked: list[tuple[float, str, str]] = []
        self.answered: list[tuple[float, str, str]] = []
        self.seen = 0

    @property
    def came(self) -> list[Delivered]:
        return sorted((d for way in self.ways.values() for d in way.came), key=lambda d: d.at_s)

    def _configuration(self, folder: Path) -> Configuration:
        plain = self.site.configuration(folder)
        polling = plain.polling.model_copy(update={"every_s": READ_EVERY_S})
        cards = {name: replace(card, polling=polling) for name, card in plain.cards.items()}
        return replace(plain, people=people(), polling=polling, cards=cards)

    async def played(self) -> Fortnight:
        folder = Path(tempfile.mkdtemp(prefix="fortnight-", dir=MEMORY if MEMORY.is_dir() else None))
        ether = Ether(WireClock(self.clock), self.world.agents(), self.world.delay_s)
        quality: Quality | None = None
        try:
            with joined(ether, self.ways):
                await self._write_past(folder)
                while quality is None:
                    quality = await self._run(folder)
                    self.clock.restarted()
        finally:
            shutil.rmtree(folder, ignore_errors=True)
        return Fortnight(self.came, quality, self.answered, people())

    async def _write_past(self, folder: Path) -> None:
        async with (
            Service(self._configuration(folder), folder / "data", self.clock) as service,
            service.ledger.transaction() as tx,
        ):
            for bank, test in self.site.tests.items():
                until = test.at + timedelta(seconds=test.seconds)
                tx.save_evidence(
                    Evidence(
                        id=shown_id(f"test-{bank}"),
                        bank=bank,
                        kind=test.kind,
                        at=test.at,
                        until=until,
                        schema="shown/1",
                        body=to_plain(test),
                    )
                )
        self.clock.restarted()

    async def _run(self, folder: Path) -> Quality | None:
        """Run the service until the end or a kill; return the figures of its alarms at the end."""
        killed: ServiceRestarts | None = None
        quality: Quality | None = None
        with suppress(_Killed):
            async with Service(self._configuration(folder), folder / "data", self.clock) as service:
                without_planning(service)
                running = asyncio.create_task(service.run())
                try:
                    killed = await self._watched(service)
                    if killed is None:
                        quality = await service.alarm_quality(
                            START + timedelta(seconds=self.begin_s), self.clock.now()
                        )
                finally:
                    service.stop()
                    await self.clock.advance(0.0)
                    running.cancel()
                    with suppress(asyncio.CancelledError):
                        await running
                if killed is not None:
                    raise _Killed
        if killed is not None:
            await self.clock.advance(killed.after_s)
            self.world.advance()
        return quality

    async def _watched(self, service: Service) -> ServiceRestarts | None:
        while (now_s := float(self.world.at_s)) < self.lasts_s:
            if self.restarts and self.restarts[0].at_s <= now_s:
                return cast("ServiceRestarts", self.restarts.pop(0).event)
            self.moments = [m for m in self.moments if m > now_s]
            # who looks now and then must be awake when it happens: they slept through the first two minutes of an outage
            awake = (m - BEFORE_S for m in self.moments[:1] if m - BEFORE_S > now_s)
            due = [self.lasts_s, *awake, *self.moments[:1], *(a for a, _, _ in self.asked)]
            if not self.world.rests or (self.moments and self.moments[0] - now_s <= BEFORE_S):
                self.lively_until_s = now_s + AFTER_S
            calm = now_s > self.lively_until_s
            self.clock.grid_s = RESTS_S if calm else 0.0
            step_s = max(min(RESTS_S, min(due) - now_s), 1.0) if calm else 1.0
            await self.clock.advance(step_s)
            self.world.advance()
            for card in self.world.rows_moved:
                service.recorder.pollers[card].poke()
            self.world.rows_moved.clear()
            await self._people_answer(service, now_s + step_s)
        return None

    async def _people_answer(self, service: Service, now_s: float) -> None:
        came = self.came
        for one in came[self.seen :]:
            notice, after_s = one.letter.notice, ANSWERS_AFTER_S.get(one.person)
            grave = notice.severity.rank >= Severity.MAJOR.rank and notice.kind is not NoticeKind.CLOSED
            if after_s is not None and grave and notice.alarms:
                self.asked.append((one.at_s - self.begin_s + after_s, one.person, notice.incident))
        self.seen = len(came)
        for asked in [a for a in self.asked if a[0] <= now_s]:
            self.asked.remove(asked)
            _, person, incident = asked
            answer = asyncio.ensure_future(service.taking_on.take_on(incident, by=person, note="on my way"))
            await self.clock.advance(0.0)
            with suppress(NotTakenOn):
                done = await answer
                self.answered.append(
                    (self.begin_s + now_s, person, f"{incident}: {done.acknowledged} acknowledged")
                )


class _Killed(Exception):  # noqa: N818 - what happened
    """The service is killed: nothing is kept that was not committed."""
