"""Has the exact readings around every power event kept for ever.

What happened stands in the ledger: the journal has every event and alarm, the evidence every discharge of a bank
that was recorded to its end. From there the spans are worked out, off the recorder's line; all that is remembered
is how far the ledger has been read. Cut off at any moment, or before what was read last was kept, the next pass
does the rest: to keep a span twice is to keep it once.

A moment is kept with some minutes on either side, of every unit of its system, since units in parallel answer for
one another. The time that units spent on their banks is kept whole, and a bank's discharge with its recharge.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any, Final

from collector.process.clock import Clock
from collector.storage.history.store import HistoryStore
from collector.storage.ledger import Ledger
from collector.storage.ledger.discharge_record import SCHEMA as DISCHARGE_SCHEMA
from collector.storage.ledger.records import EndedDischarge, JournalLine, Snapshot
from rules.alarms.catalogue import CATALOGUE, Cause
from rules.plant.estate import Estate
from rules.plant.topology import Topology

AROUND_MOMENT: Final = timedelta(minutes=5)
AROUND_DISCHARGE: Final = timedelta(minutes=15)

POWER_EVENTS: Final = frozenset(
    (
        "mains_lost",
        "supply_back",
        "input_dip",
        "unit_to_battery",
        "unit_from_battery",
        "unit_tests_bank",
        "unit_to_bypass",
        "unit_from_bypass",
        "unit_to_off",
        "unit_from_off",
    )
)
"""Events of the journal about what feeds the load."""
BEGUN_BY: Final[Mapping[str, tuple[str, ...]]] = {
    "supply_back": ("mains_lost",),
    "unit_from_battery": ("unit_to_battery", "unit_tests_bank"),
}
"""Events that end a time which is kept whole, and what such a time begins with."""
POWER_ALARMS: Final = frozenset(kind.id for kind in CATALOGUE.values() if kind.cause is Cause.POWER) | {
    "bank_low",
    "not_on_battery",
    "on_bypass",
    "output_off",
    "overload",
    "still_on_battery",
    "two_sources",
}
"""Alarms about what feeds the load, or whether it can."""
_ALARM_LINES: Final = ("alarm_occur", "alarm_worsen", "alarm_return", "alarm_return_latching")
_KINDS: Final = (*sorted(POWER_EVENTS), *_ALARM_LINES)

SNAPSHOT: Final = "exact_spans"
SCHEMA: Final = "exact-spans/1"
_PAGE: Final = 1000
_AGAIN_LINES: Final = 10_000
_AGAIN: Final = timedelta(days=1)
"""How far back a start reads again: in a restored backup the history is a little older than the ledger."""
_FIRST: Final = timedelta(days=31)


@dataclass(frozen=True, slots=True)
class ExactSpan:
    """Whose readings to keep, from when to when, and what for."""

    unit: str
    start: datetime
    end: datetime
    why: str


@dataclass(frozen=True, slots=True)
class _Mark:
    """How far the ledger has been read: the journal by its numbers, discharges by their ends."""

    line: int
    ended: datetime


class ExactSpans:
    """Reads the ledger on and has kept what it tells of. Call `once` every minute or so, before anything is let go."""

    def __init__(self, estate: Estate, history: HistoryStore, ledger: Ledger, clock: Clock) -> None:
        self._banks = estate.banks
        self._topology = Topology(estate)
        self._history = history
        self._ledger = ledger
        self._clock = clock
        self._mark: _Mark | None = None
        self._kept: frozenset[str] = frozenset()
        """Discharges that were kept in this run."""

    async def once(self) -> None:
        """Have kept whatever the ledger tells of since the last call. Raises StoreError; the next call goes on."""
        mark = self._mark or await self._restored()
        line: int | None = mark.line
        while line is not None:
            page = await self._ledger.events(kinds=_KINDS, after=line, limit=_PAGE)
            await self._keep([span for item in page.items for span in await self._around(item)])
            if page.items:
                mark = replace(mark, line=page.items[-1].seq)
            line = page.next
        # a clock that stood ahead for a while leaves a mark ahead of what ends after it was set right
        ended = await self._ledger.discharges_ended(
            min(mark.ended, self._clock.now()) - _AGAIN, DISCHARGE_SCHEMA
        )
        new = [one for one in ended if one.id not in self._kept]
        await self._keep(span for one in new for span in self._of_discharge(one))
        self._kept = frozenset(one.id for one in ended)
        if ended:
            mark = replace(mark, ended=ended[-1].until)
        if mark != self._mark:
            await self._save(mark)

    async def _restored(self) -> _Mark:
        kept = await self._ledger.snapshot(SNAPSHOT)
        if kept is None:
            return _Mark(0, self._clock.now() - _FIRST)
        body: Mapping[str, Any] = kept.body
        return _Mark(max(body["line"] - _AGAIN_LINES, 0), datetime.fromisoformat(body["ended"]))

    async def _save(self, mark: _Mark) -> None:
        body = {"line": mark.line, "ended": mark.ended.isoformat()}
        async with self._ledger.transaction() as tx:
            tx.save_snapshot(Snapshot(SNAPSHOT, self._clock.now(), SCHEMA, body))
        self._mark = mark

    async def _keep(self, spans: Iterable[ExactSpan]) -> None:
        for span in merged(spans):
            await self._history.keep_exact(span.unit, span.start, span.end, span.why)

    async def _around(self, line: JournalLine) -> list[ExactSpan]:
        """Return what to keep for a line of the journal: nothing where it is about something else."""
        kind = line.kind if line.alarm is None else line.alarm.partition(":")[0]
        if line.about is None or kind not in POWER_EVENTS | POWER_ALARMS:
            return []
        start = line.at
        if kind in BEGUN_BY:
            before = await self._ledger.events(
                kinds=BEGUN_BY[kind], about=line.about, before=line.seq, limit=1
            )
            start = min([start, *(one.at for one in before.items)])
        units = self._topology.units(self._topology.system(line.about) or line.about)
        return [ExactSpan(unit, start - AROUND_MOMENT, line.at + AROUND_MOMENT, kind) for unit in units]

    def _of_discharge(self, ended: EndedDischarge) -> Iterator[ExactSpan]:
        bank = self._banks.get(ended.bank)
        for unit in () if bank is None else bank.feeds:
            yield ExactSpan(unit, ended.at - AROUND_DISCHARGE, ended.until + AROUND_DISCHARGE, ended.kind)


def merged(spans: Iterable[ExactSpan]) -> list[ExactSpan]:
    """Return the spans with those of a unit that touch made one."""
    found: list[ExactSpan] = []
    for span in sorted(spans, key=lambda s: (s.unit, s.start)):
        last = found[-1] if found else None
        if last is None or last.unit != span.unit or span.start > last.end:
            found.append(span)
        else:
            whys = dict.fromkeys((*last.why.split(", "), span.why))
            found[-1] = replace(last, end=max(last.end, span.end), why=", ".join(whys))
    return found
