"""The journals of all sites in the centre's one ledger: each line once, by its time among the others', whatever was told twice.

Lines of one site keep its own order, which is that of learning: where what happened earlier was learnt later, it stands
behind. How far each site's journal is had stands in the transaction of the lines themselves, and the site hears of it only once that is
on the disk. A line is known by what it says too, so a journal that is told from its beginning doubles nothing.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from typing import Final

from collector.messaging.centre.parts import HadPart, RecordPart
from collector.read_model.centre.naming import SiteNames
from collector.storage.ledger.ledger import Ledger
from collector.storage.ledger.records import IncidentLine, Snapshot

HAD: Final = "centre had "
LONGEST_BACK: Final = timedelta(hours=1)
"""What lies further back than the line before it does so since the site's clock was set: it is told among its own time."""
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND: Final = timedelta(microseconds=1)


class CentreRecord:
    """What is had of each site's journal."""

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger
        self._had: dict[str, HadPart] = {}
        self._place: dict[str, int] = {}
        """Of each site the place of its last line, in microseconds."""

    async def restore(self) -> None:
        """Go on from what the ledger holds."""
        for kept in await self._ledger.snapshots(HAD):
            body = kept.body
            site = kept.name.removeprefix(HAD)
            self._had[site] = HadPart(str(body["book"]), int(body["until"]))
            self._place[site] = int(body.get("place", 0))

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
            place = self._place.get(names.site, 0) if same else 0
            async with self._ledger.transaction(at_once=True) as tx:
                for line in part.lines:
                    place = _after(place, line.at)
                    tx.bring_event(names.put(line), place)
                for incident in part.incidents:
                    tx.bring_incident(names.put(incident))
                body = {"book": had.book, "until": had.until, "place": place}
                tx.save_snapshot(Snapshot(HAD + names.site, now, "centre-had/1", body))
            self._had[names.site], self._place[names.site] = had, place
        return had

    async def keep_open(self, names: SiteNames, incidents: Iterable[IncidentLine]) -> None:
        """Keep the incidents that go on at a site as they stand."""
        async with self._ledger.transaction() as tx:
            for incident in incidents:
                tx.bring_incident(names.put(incident))


def _after(place: int, at: datetime) -> int:
    """Return the place of a line behind one at `place`: at its own time, or right behind where it was learnt late."""
    own = (at - _EPOCH) // _MICROSECOND
    return own if place - own > LONGEST_BACK // _MICROSECOND else max(own, place + 1)
