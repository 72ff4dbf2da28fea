"""A centre as one object: opens its folder, hears its sites, keeps what they say, and answers `api` as a service does.

async with CentreService(file, folder) as centre:
    await centre.run()
"""

from __future__ import annotations

import asyncio
import logging
from contextlib import AsyncExitStack
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Final, Self

from collector.configuration.centre.file import CentreFile
from collector.messaging.centre.parts import (
    AlarmsPart,
    HadPart,
    NotAPartError,
    RecordPart,
    Told,
    text_of,
    told_in,
)
from collector.messaging.centre.sites_heard import SitesHeard
from collector.process.clock import Clock, SystemClock
from collector.process.task_cancellation import ended
from collector.read_model.centre.naming import SiteNames
from collector.read_model.centre.record import CentreRecord
from collector.read_model.centre.source import CentreSource
from collector.storage.data_folder import LEDGER_FILE, RESERVE_FILE
from collector.storage.database import StoreError, make_folder
from collector.storage.folder_lock import held
from collector.storage.ledger import Ledger
from collector.storage.ledger.records import Snapshot

log: Final = logging.getLogger(__name__)

LOOK_EVERY_S: Final = 1.0
TURNING_WITHIN_S: Final = 30.0
SOON_S: Final = 0.2
"""What came is shown within this: joining costs what there is, and many sites say much."""
KEEP_EVERY_S: Final = 30.0
"""How often what sites said last is kept: a kill takes with it what the broker and the sites tell again anyway."""
SAID: Final = "centre said "
HEARD: Final = "centre heard "


class CentreService(CentreSource):
    """Hears and shows. Use as an async context manager, then `run`."""

    def __init__(self, file: CentreFile, folder: Path, clock: Clock | None = None) -> None:
        make_folder(folder)
        self.folder = folder
        ledger = Ledger(folder / LEDGER_FILE, reserve=folder / RESERVE_FILE)
        super().__init__(file, clock or SystemClock(), ledger)
        self.record = CentreRecord(ledger)
        self.brokers = tuple(
            SitesHeard(broker, file.login(broker), tuple(self.sites), self, self.clock)
            for broker in file.brokers
        )
        self._early: dict[str, RecordPart] = {}
        self._stack = AsyncExitStack()
        self._asked_to_stop = asyncio.Event()
        self._news = False
        self._looked_s = self.clock.monotonic_s()
        self._closed = False

    async def __aenter__(self) -> Self:
        """Open the folder and go on from what it holds. Raises `collector.storage.database.StoreError`."""
        try:
            self._stack.enter_context(held(self.folder))
            await self._stack.enter_async_context(self.ledger)
            await self.record.restore()
            await self._restore()
            await self.restore_acts()
        except BaseException:
            await self._stack.aclose()
            raise
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Keep what is not kept yet, and close. Safe to call twice."""
        if self._closed:
            return
        self._closed = True
        try:
            await self._keep()
        except StoreError as fault:
            log.warning("what sites said last is not kept: %s", fault)
        finally:
            await self._stack.aclose()

    async def close(self) -> None:
        """Close, as at the end of the block."""
        await self.__aexit__(None, None, None)

    async def run(self) -> None:
        """Run until `stop` or cancellation. A fault in shared machinery is raised."""
        async with asyncio.TaskGroup() as group:
            jobs = [broker.run for broker in self.brokers] + [self._look, self._keep_on, self.handing.run]
            tasks = [group.create_task(job()) for job in jobs]
            await self._asked_to_stop.wait()
            await ended(tasks)

    def stop(self) -> None:
        """Ask `run` to end, and wake whoever waits for news."""
        self.stopping = True
        self._asked_to_stop.set()
        self.present.changed()

    def turning(self) -> bool:
        """Return whether its loop turns: what the service manager's watchdog is fed by."""
        return self.clock.monotonic_s() - self._looked_s < TURNING_WITHIN_S

    # --- what comes in (`collector.messaging.centre.sites_heard.TakesParts`) --------------------------------------

    def had(self, site: str) -> HadPart | None:
        """Return what is had of a site's journal."""
        return self.record.had(site)

    async def take(self, site: str, topic: str, told: Told, *, retained: bool) -> HadPart | None:
        """Take a part in, to be shown at once, and return what is then had of the journal, where it was of that. Raises StoreError."""
        said = self.sites[site]
        if isinstance(told.part, RecordPart):
            if said.names is None:
                self._early[site] = told.part  # of what a broker retains, anything may come first
                return None
            return await self._take_record(said.names, told.part)
        if not said.take(topic, told, retained=retained):
            return None
        self._news = True
        if isinstance(told.part, AlarmsPart) and said.names is not None:
            await self.record.keep_open(said.names, told.part.incidents)
        early = self._early.pop(site, None) if said.names is not None else None
        return None if early is None or said.names is None else await self._take_record(said.names, early)

    async def _take_record(self, names: SiteNames, part: RecordPart) -> HadPart:
        """Keep a bundle of the journal, and note which acts it says were done: each only once its line is kept."""
        had = await self.record.take(names, part, self.clock.now())
        if had.until >= part.until:
            await self.hear_acts(names.site, part.lines)
        return had

    async def _look(self) -> None:
        due_s = self.clock.monotonic_s()
        while True:
            if self.clock.was_set():
                self.clock.take_over()  # what is noted here is the sites' own time
            if self._news or self.clock.monotonic_s() >= due_s:
                self._news, due_s = False, self.clock.monotonic_s() + LOOK_EVERY_S
                self.joined.look()
                self._looked_s = self.clock.monotonic_s()
            await self.clock.sleep_until(self.clock.monotonic_s() + SOON_S)

    # --- what is kept of what was said last ------------------------------------------------------------------

    async def _keep_on(self) -> None:
        while True:
            await self.clock.sleep_until(self.clock.monotonic_s() + KEEP_EVERY_S)
            try:
                await self._keep()
            except StoreError as error:
                log.warning("what sites said last is not kept yet: %s", error)

    async def _keep(self) -> None:
        now, kept = self.clock.now(), []
        async with self.ledger.transaction() as tx:
            for site in self.sites.values():
                for topic in sorted(site.dirty):
                    body = {"said": text_of(site.told[topic])}
                    tx.save_snapshot(Snapshot(f"{SAID}{site.site} {topic}", now, "centre-said/1", body))
                if site.heard_at is not None:
                    body = {"at": site.heard_at.isoformat()}
                    tx.save_snapshot(Snapshot(HEARD + site.site, now, "centre-heard/1", body))
                kept.append((site, set(site.dirty)))
        for site, topics in kept:
            site.dirty -= topics

    async def _restore(self) -> None:
        for site in self.sites.values():
            prefix = f"{SAID}{site.site} "
            found = {}
            for kept in await self.ledger.snapshots(prefix):
                topic = kept.name.removeprefix(prefix)
                try:
                    found[topic] = told_in(topic, str(kept.body["said"]))
                except NotAPartError as error:
                    log.warning("site %s: what was kept of it is passed over: %s", site.site, error)
            heard = await self.ledger.snapshot(HEARD + site.site)
            at = None if heard is None else datetime.fromisoformat(str(heard.body["at"]))
            site.restore(found, at)
        self.joined.look()
