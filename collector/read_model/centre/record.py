"""The journals of all sites in the centre's one ledger: each line once, at its own time's place, whatever was told twice.

How far each site's journal is had stands in the transaction of the lines themselves, and the site hears of it only once that is
on the disk. A line is known by what it says too, so a journal that is told from its beginning doubles nothing.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime
from typing import Final

from collector.messaging.centre.parts import HadPart, RecordPart
from collector.read_model.centre.naming import SiteNames
from collector.storage.ledger.ledger import Ledger
from collector.storage.ledger.records import IncidentLine, Snapshot

HAD: Final = "centre had "


class CentreRecord:
    """What is had of each site's journal."""

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger
        self._had: dict[str, HadPart] = {}

    async def restore(self) -> None:
        """Go on from what the ledger holds."""
        for kept in await self._ledger.snapshots(HAD):
            body = kept.body
            self._had[kept.name.removeprefix(HAD)] = HadPart(str(body["book"]), int(body["until"]))

    def had(self, site: str) -> HadPart | None:
        """Return what is had of a site's journal, None for nothing yet."""
        return self._had.get(site)

    async def take(self, names: SiteNames, part: RecordPart, now: datetime) -> HadPart:
        """Keep what is new of a bundle, and return what is then had: where something is missing before it, what was.

        Raises StoreError while the disk does not take it: then nothing of it is had.
        """
        kept = self._had.get(names.site)
        same = kept is not None and kept.book == part.book
        until = kept.until if kept is not None and same else 0
        if part.after > until:
            return HadPart(part.book, until)
        had = HadPart(part.book, max(until, part.until))
        if had != kept:
            async with self._ledger.transaction(at_once=True) as tx:
                for line in part.lines:
                    tx.bring_event(replace(names.put(line), seq=0))
                for incident in part.incidents:
                    tx.bring_incident(names.put(incident))
                body = {"book": had.book, "until": had.until}
                tx.save_snapshot(Snapshot(HAD + names.site, now, "centre-had/1", body))
            self._had[names.site] = had
        return had

    async def keep_open(self, names: SiteNames, incidents: Iterable[IncidentLine]) -> None:
        """Keep the incidents that go on at a site as they stand."""
        async with self._ledger.transaction() as tx:
            for incident in incidents:
                tx.bring_incident(names.put(incident))
