"""A sheet made whole, from a live or a stored source: what is so now, the journal beside it, and how each outage went so far.

The journal is read at most every 10 s, a sheet is made at most once a second while nothing changed, and how each
outage went so far is kept here, since a source itself keeps only what is so now.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final

from collector.read_model.beginning.steps import beginning, reached_by
from collector.read_model.counting import counted_by, with_counts
from collector.read_model.sheet import Sheet, ShownEvent, ShownOutage
from collector.read_model.sheet_source import sheet_of, whom_to_call
from collector.read_model.source import SheetSource
from collector.read_model.sources import Traces, outages_of, with_shedding, with_unit_lost
from collector.read_model.telling import Undelivered, undelivered_now

JOURNAL_EVERY: Final = timedelta(seconds=10)
SAME_FOR: Final = timedelta(seconds=1)
LINES: Final = 500
MESSAGE_TEST: Final = "message_test"
"""What the journal calls a test message."""
INCIDENTS: Final = 40


class Showing:
    """What is remembered of one source between two looks."""

    def __init__(self) -> None:
        self._traces = Traces()
        self._events: tuple[ShownEvent, ...] = ()
        self._counted: Mapping[str, frozenset[str]] = {}
        self._undelivered: tuple[Undelivered, ...] = ()
        self._reached: frozenset[str] = frozenset()
        self._read_at: datetime | None = None
        self._last: Sheet | None = None
        self._version = -1

    async def sheet(self, source: SheetSource) -> Sheet:
        """Return what is shown now; the same value to everyone who asks within a second and no news."""
        now = source.clock.now()
        if self._read_at is None or now - self._read_at >= JOURNAL_EVERY:
            self._read_at = now  # before the wait: who asks meanwhile takes what was read last
            incidents = await source.incidents(limit=INCIDENTS)
            lines = await source.events(limit=LINES)
            self._counted = counted_by(incidents.items)
            self._undelivered = await undelivered_now(source)
            trials = await source.events(kinds=(MESSAGE_TEST,), limit=LINES)
            self._reached = reached_by(trials.items)
            self._events = outages_of(incidents.items, lines.items, source.estate)
        last, version = self._last, source.present.version
        if last is not None and version == self._version and timedelta(0) <= now - last.now < SAME_FOR:
            return last
        made = sheet_of(source)
        self._last = replace(
            made,
            events=self._events if made.tells else tuple(replace(e, messages=None) for e in self._events),
            undelivered=self._undelivered,
            outages=self._outages(source, made),
            alarms=with_counts(made.alarms, self._counted),
            begun=None if made.heard else beginning(source, self._reached),  # it is begun at the sites
        )
        self._version = version
        return self._last

    def _outages(self, source: SheetSource, sheet: Sheet) -> Mapping[str, ShownOutage]:
        known = self._traces.look(sheet.systems, sheet.now)
        states = {state.id: state for state in sheet.systems}
        return {
            name: replace(
                with_shedding(with_unit_lost(outage, states[name]), states[name], sheet.now),
                call=whom_to_call(source, name),
            )
            for name, outage in known.items()
        }
