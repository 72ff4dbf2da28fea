"""The replacement and service programme of the years ahead, as of today, and its calendar.

Cheap enough to be made anew whenever somebody asks: from what is known of the banks, and what was recorded as done.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from datetime import datetime
from typing import Any, Final

from collector.assessment.evidence_files import done_by
from collector.process.clock import Clock
from collector.recorder.current_state import Present
from collector.storage.ledger import Ledger
from collector.storage.ledger.records import Snapshot
from rules.phrasing.programme_text import CalendarEntry, as_calendar, revised
from rules.planning.programme.discharge_visits import spare_of
from rules.planning.programme.programme import Job, Programme, Terms, programme
from rules.planning.programme.service_due import Done, service_items
from rules.plant.estate import Estate

CALENDAR: Final = "calendar"


class ReplacementProgramme:
    """What is to be replaced and serviced, when. `ledger` keeps how jobs stood in the calendar; `set_tested`: when a
    generator last ran on load long enough to count as a test."""

    def __init__(
        self,
        estate: Estate,
        clock: Clock,
        present: Present,
        ledger: Ledger,
        set_tested: Callable[[str], datetime | None],
    ) -> None:
        self._estate = estate
        self._clock = clock
        self._present = present
        self._ledger = ledger
        self._set_tested = set_tested

    async def programme(self, terms: Terms) -> Programme:
        """Return the replacement and service programme as of today."""
        today = self._clock.now().date()
        service = service_items(self._estate, await self._done(), today)
        banks, spare = tuple(self._present.banks.values()), spare_of(self._present.systems)
        return await asyncio.to_thread(  # of a thousand units some tens of ms, in which no trap should wait
            programme, self._estate, banks, today, service=service, terms=terms, spare=spare
        )

    async def _done(self) -> list[Done]:
        """Return the work recorded as done, and the runs of generators that the site told of: nothing else tells."""
        found = done_by(await self._ledger.equipment())
        for name in self._estate.generators:
            last = self._set_tested(name)
            if last is not None:
                found.append(Done(Job.GENERATOR_TEST, name, last.date()))
        return found

    async def calendar(self, terms: Terms) -> str:
        """Return the programme as an iCalendar feed; a job's sequence rises when its content changes."""
        rows = (await self.programme(terms)).rows
        kept = await self._ledger.snapshot(CALENDAR)
        before = {} if kept is None else {uid: _kept(plain) for uid, plain in kept.body.items()}
        now = self._clock.now()
        after = revised(rows, before, now)
        if after != before:
            body = {uid: [k.digest, k.sequence, k.changed_at.isoformat()] for uid, k in after.items()}
            async with self._ledger.transaction() as tx:
                tx.save_snapshot(Snapshot(CALENDAR, now, "calendar/1", body))
        return as_calendar(rows, after, now)


def _kept(plain: list[Any]) -> CalendarEntry:
    digest, sequence, changed_at = plain
    return CalendarEntry(digest, sequence, datetime.fromisoformat(changed_at))
