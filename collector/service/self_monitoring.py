"""The service's own figures, looked at every few seconds and put to the watch like any reading.

Late polls, the disk under the data folder, jumps of the clock, failing channels, messages that wait, planned
work as it comes and goes. What ridethrough cannot notice itself (its own death) the broker's last will,
the heartbeat and the service manager's watchdog make known to others.
"""

from __future__ import annotations

import asyncio
import shutil
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from collector.configuration.people.rota_calendar import CalendarError
from collector.messaging.delivery.office import PostOffice
from collector.planning.planned_work import calendar_windows, windows
from collector.planning.test_dates import PlannedSources
from collector.process.clock import Clock, stamp
from collector.recorder.punctuality import Punctuality
from rules.alarms.conditions.service import ServiceFigures
from rules.alarms.windows import Window
from rules.monitor.inputs import EquipmentDeclared, Input, PlannedWork, ServiceLooked, WorkLooked
from rules.planning.programme.service_due import WorkDue

LOOK_EVERY_S: Final = 10.0
PLAN_EVERY_S: Final = 300.0
FEWEST_POLLS: Final = 20

Give = Callable[[Input], Awaitable[None]]


@dataclass(slots=True)
class LateCount:
    """Counts late polls between looks, from the running totals; a poll that was left out is a late one."""

    polls: int = 0
    late: int = 0

    def fraction(self, done: Punctuality) -> float | None:
        """Return the part of polls that were late since the last answer; None for too few to tell."""
        polls, late = done.polls + done.missed, done.late + done.missed
        passed = polls - self.polls
        if passed < min(FEWEST_POLLS, done.cards or 1):
            return None
        fraction = (late - self.late) / passed
        self.polls, self.late = polls, late
        return fraction


@dataclass(slots=True)
class SelfWatch:
    """Looks at the service itself and gives the watch what it saw.

    `punctuality` counts the polls. `give` takes an input on its way to the watch.
    """

    folder: Path
    clock: Clock
    office: PostOffice
    punctuality: Punctuality
    give: Give
    planned: PlannedSources
    background_s: Callable[[], float] | None = None
    """How long the oldest question to the judging process has waited, in s."""
    worker_error: Callable[[], str | None] | None = None
    store_error: Callable[[], str | None] | None = None
    file_behind: Callable[[], Awaitable[tuple[str, ...]]] | None = None
    units_replaced: Callable[[], Awaitable[tuple[str, ...]]] | None = None
    """The units whose card is taken for another one, and whose cabinet somebody recorded as replaced."""
    signed: Callable[[], tuple[Window, ...]] | None = None
    """What signed shutdowns explain, beside the work that files declare."""
    work: Callable[[], Awaitable[tuple[WorkDue, ...]]] | None = None
    """The work that comes round, due or not."""
    calendars: dict[str, str | None] = field(default_factory=dict)
    """What was wrong with each calendar file at the last look, by id; None for nothing."""
    _late: LateCount = field(default_factory=LateCount)
    _windows: tuple[Window, ...] | None = None
    _behind: tuple[str, ...] | None = None

    async def run(self) -> None:
        """Look until cancelled."""
        plan_due_s = due_s = self.clock.monotonic_s()
        while True:
            if self.clock.monotonic_s() >= plan_due_s:
                await self.plan()
                plan_due_s = self.clock.monotonic_s() + PLAN_EVERY_S
            await self.declare()
            await self.give(ServiceLooked(stamp(self.clock), await self.look()))
            due_s = max(due_s + LOOK_EVERY_S, self.clock.monotonic_s())
            await self.clock.sleep_until(due_s)

    async def look(self) -> ServiceFigures:
        """Return the service's figures now."""
        disk = await asyncio.to_thread(shutil.disk_usage, self.folder)
        return ServiceFigures(
            late_fraction=self._late.fraction(self.punctuality),
            wait_s=self.punctuality.longest_wait_s(),
            background_s=self.background_s() if self.background_s else None,
            free_fraction=disk.free / disk.total if disk.total else None,
            store_error=self.store_error() if self.store_error else None,
            store_known=self.store_error is not None,
            jumps_s=tuple(jump.by.total_seconds() for jump in self.clock.jumps),
            worker_error=self.worker_error() if self.worker_error else None,
            worker_known=self.worker_error is not None,
            oldest_s=await self.office.oldest_s(),
            channels=self.office.failing(),
            undeliverable=self.office.refused(),
            why=self.office.reasons(),
            collectors=self.office.neighbours.overdue(),
            calendars=dict(self.calendars),
            estate_file_behind=self._behind,
        )

    async def declare(self) -> None:
        """Tell the watch of units whose cabinet was recorded as replaced: what answers now is right."""
        if self.units_replaced is not None:
            for unit in await self.units_replaced():
                await self.give(EquipmentDeclared(stamp(self.clock), unit))

    async def plan(self) -> None:
        """Read where planned work is declared, and tell the watch if anything is new; compare the estate file."""
        if self.file_behind is not None:
            self._behind = tuple(what.rstrip(".") for what in await self.file_behind())
        if self.work is not None:
            await self.give(WorkLooked(stamp(self.clock), await self.work()))
        now = self.clock.now()
        planned = self.planned
        found = list(windows(planned.work, now, time_zone=planned.time_zone))
        self.calendars = {}
        for table in planned.calendars:
            try:
                found += await asyncio.to_thread(
                    calendar_windows, table, planned.folder, now, time_zone=planned.time_zone
                )
                self.calendars[table.id] = None
            except CalendarError as error:
                self.calendars[table.id] = str(error)
        for rota in planned.rotas:
            self.calendars[rota.id] = await asyncio.to_thread(rota.refresh, now)
        if self.signed is not None:
            found += self.signed()
        ordered = tuple(sorted(found, key=lambda w: (w.start, w.id)))
        if ordered != self._windows:
            self._windows = ordered
            await self.give(PlannedWork(stamp(self.clock), ordered))
