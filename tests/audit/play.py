"""Plays a story through the whole service: real readers, watch, judge, delivery and read model, under a turned clock."""

from __future__ import annotations

import asyncio
import shutil
import tempfile
from collections.abc import Coroutine, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path
from typing import Final, cast, get_args

from collector.configuration import Configuration
from collector.service.service import Service
from collector.simulation.scenario.director import Cue
from collector.storage.ledger.discharge_record import shown_id
from collector.storage.ledger.records import Evidence, JournalLine
from rules.monitor.inputs import OperatorCommand
from rules.values.serial import to_plain
from tests.audit.estates import AuditEstate
from tests.audit.happenings import (
    ClockJumps,
    PersonAcknowledges,
    ServiceHappening,
    ServiceRestarts,
    WorkAnnounced,
    WorkDone,
)
from tests.audit.statements import Listener, Statement
from tests.audit.stories import Story, StoryCue
from tests.audit.wire import Desk, Ether, InlineLoop, QuickClock, Sockets, joined
from tests.audit.world import World

MEMORY: Final = Path("/dev/shm")
_SHOWN: Final = "shown/1"
PLANNING: Final = frozenset(
    {"load past", "tidying", "taking out", "shed adviser", "switching off", "sizes", "scenarios", "teaching"}
)
"""Jobs that answer questions about what is planned: left out of most stories, since they cost most of the time."""


@dataclass
class Played:
    """A story that was played: its world, what was said, and when the service ran."""

    story: Story
    world: World
    statements: Sequence[Statement]
    journal: Sequence[JournalLine]
    down: Sequence[tuple[float, float]]
    jumps: Sequence[tuple[float, float]]
    """When the machine's time of day was set, s of the story, and by how much, s."""

    def ran(self, from_s: float, to_s: float) -> bool:
        """Return whether the service ran the whole time from one second to another."""
        return not any(begins <= to_s and from_s <= ends for begins, ends in self.down)


class _Killed(Exception):  # noqa: N818 - what happened
    """The service is killed: nothing is kept that was not committed."""


def play(story: Story, *, sockets: bool = False) -> Played:
    """Play a story to its end; `sockets`: what cards say goes by real ones."""
    with asyncio.Runner(loop_factory=InlineLoop) as runner:
        return runner.run(_Stage(story, sockets=sockets).played())


def without_planning(service: Service) -> None:
    """Leave out the jobs that nobody waits for."""
    parts = service._parts
    service._parts = replace(parts, jobs={n: j for n, j in parts.jobs.items() if n not in PLANNING})


class _Stage:
    """A story under way."""

    def __init__(self, story: Story, *, sockets: bool) -> None:
        self.story = story
        self.sockets = sockets
        estate = story.estate
        self.clock = QuickClock(estate.now)
        own = get_args(ServiceHappening)
        self.cues: list[StoryCue] = [c for c in story.cues if isinstance(c.event, own)]
        plant = [Cue(c.at_s, c.event) for c in story.cues if not isinstance(c.event, own)]  # type: ignore[arg-type]
        self.world = World(estate, self.clock, plant, story.lies)
        self.desk = Desk(self.clock)
        self.listener = Listener(estate.now)
        self.down: list[tuple[float, float]] = []
        self.jumps: list[tuple[float, float]] = []
        self.heard = 0

    async def played(self) -> Played:
        folder = Path(tempfile.mkdtemp(prefix="audit-", dir=MEMORY if MEMORY.is_dir() else None))
        by = Sockets if self.sockets else Ether
        ether = by(self.clock, self.world.agents(), self.world.delay_s)
        self.clock.under_way = lambda: ether.under_way
        journal: tuple[JournalLine, ...] = ()
        try:
            with joined(ether, {"desk": self.desk}):
                await self._write_past(folder)
                again = True
                while again:
                    again = await self._run(folder)
                    self.clock.restarted()
                journal = await self._journal(folder)
        finally:
            shutil.rmtree(folder, ignore_errors=True)
        self.listener.hear_journal(journal, float(self.world.at_s))
        return Played(self.story, self.world, self.listener.statements, journal, self.down, self.jumps)

    def _configuration(self, folder: Path) -> Configuration:
        return self.story.estate.configuration(folder)

    async def _write_past(self, folder: Path) -> None:
        estate: AuditEstate = self.story.estate
        async with (
            Service(self._configuration(folder), folder / "data", self.clock) as service,
            service.ledger.transaction() as tx,
        ):
            for bank, test in estate.tests.items():
                tx.save_evidence(
                    Evidence(
                        id=shown_id(f"test-{bank}"), bank=bank, kind=test.kind, at=test.at,
                        until=test.at + timedelta(seconds=test.seconds), schema=_SHOWN, body=to_plain(test),
                    )
                )  # fmt: skip
        self.clock.restarted()

    async def _journal(self, folder: Path) -> tuple[JournalLine, ...]:
        async with Service(self._configuration(folder), folder / "data", self.clock) as service:
            return (await service.events(limit=1000)).items

    async def _run(self, folder: Path) -> bool:
        """Run the service until the story is over or it restarts; return whether it does."""
        restart: ServiceRestarts | None = None
        with suppress(_Killed):
            async with Service(self._configuration(folder), folder / "data", self.clock) as service:
                if not self.story.whole:
                    without_planning(service)
                running = asyncio.create_task(service.run())
                try:
                    restart = await self._watched(service)
                finally:
                    service.stop()
                    await self.clock.advance(0.0)
                    running.cancel()
                    with suppress(asyncio.CancelledError):
                        await running
                if restart is not None and restart.killed:
                    raise _Killed
        if restart is None:
            return False
        began_s = float(self.world.at_s)
        await self.clock.advance(restart.after_s)
        self.world.advance()
        self.down.append((began_s, float(self.world.at_s)))
        return True

    async def _watched(self, service: Service) -> ServiceRestarts | None:
        while self.world.at_s < self.story.lasts_s:
            await self.clock.advance(1.0)
            self.world.advance()
            at_s = float(self.world.at_s)
            self.listener.hear(at_s, service)
            for _, letter in self.desk.letters[self.heard :]:
                self.listener.hear_letter(at_s, letter)
            self.heard = len(self.desk.letters)
            while self.cues and self.cues[0].at_s <= at_s:
                event = cast("ServiceHappening", self.cues.pop(0).event)
                if isinstance(event, ServiceRestarts):
                    return event
                await self._happen(event, service)
        return None

    async def _happen(self, event: ServiceHappening, service: Service) -> None:
        if isinstance(event, ClockJumps):
            self.clock.jump(event.by_s)
            self.jumps.append((float(self.world.at_s), event.by_s))
            self.listener.clock_set(float(self.world.at_s), event.by_s)
        elif isinstance(event, WorkAnnounced):
            until = self.clock.now() + timedelta(seconds=event.for_s)
            await self._asked(service.work_begins(event.unit, by="R. Haugen", until=until))
        elif isinstance(event, WorkDone):
            await self._asked(service.work_closes(event.unit, by="R. Haugen"))
        elif isinstance(event, PersonAcknowledges):
            for alarm in list(service.present.alarms.values()):
                if alarm.state.active:
                    await self._asked(
                        service.act(OperatorCommand.ACKNOWLEDGE, alarm.id, who="R. Haugen", why="seen")
                    )

    async def _asked(self, asked: Coroutine[object, object, object]) -> None:
        """Wait for an answer that the recorder gives in its turn."""
        answer = asyncio.ensure_future(asked)
        await self.clock.advance(0.0)
        await answer
