"""The store for estates that outgrow one box: InfluxDB, 1.8 or newer, behind the same interface.

Written through the official client to the v2 write endpoint, which 1.8, 2.x and 3.x all have; read by
InfluxQL over HTTP, which all of them speak (2.x needs a mapping of the bucket to a database and a retention
policy). A batch is safe once it is in the local spool (`spool`); from there it is sent in order, again
and again until the server has taken it (`sender`). A batch sent twice writes the same points twice,
which InfluxDB keeps once.

What is asked about the past comes from the server. A question waits a moment for what was read just now to
arrive, never for a long spool: until that is sent, the answer lacks it, as it would lack readings that were
never made, and `trouble` or `tend` says how much waits and since when. The newest reading of a unit is
looked for in the spool first, so a start need not wait for the server.

Run against a real 1.6 (with a path mapping before it, since 1.6 lacks the v2 endpoint); 1.8, 2.x and 3.x
were not run.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Mapping, Sequence
from datetime import date, datetime, timedelta
from itertools import groupby
from pathlib import Path
from typing import Any, Final, Self

import httpx
import numpy as np

from collector.storage.history import rollup
from collector.storage.history.buckets import Grid, Sums
from collector.storage.history.columns import milliseconds, moment
from collector.storage.history.influx.access import InfluxPlace
from collector.storage.history.influx.lines import (
    MEASUREMENT,
    between,
    field,
    key,
    literal,
    readings_in,
    string,
)
from collector.storage.history.influx.sender import Sender
from collector.storage.history.influx.spool import Spool, packed, row_of
from collector.storage.history.store import (
    IMPORTED,
    Bucket,
    Meaning,
    QuantityUnknownError,
    WireReading,
)

_WINDOW_MS: Final = 6 * 3_600_000
_OUT_WINDOW_MS: Final = 10 * 86_400_000
_ARRIVAL_S: Final = 1.0
"""How long a question waits for what was read just now."""
_LATE: Final = timedelta(minutes=10)
_OFFERED_EVERY: Final = timedelta(days=1)


class InfluxHistory:
    """History in InfluxDB. Satisfies `HistoryStore`; how long readings are kept is the server's policy.

    One thing differs: of two readings of the same unit, moment and correction set the server keeps the later
    values. A collector never gives two that differ, and gives one again only to be sure of it.

    Sends while it is open as an async context, unless it `only_reads`: then it may be opened on the folder of a
    running collector. `spool` is the file that belongs to one collector.
    """

    def __init__(
        self, spool: Path, place: InfluxPlace, meaning: Meaning, *, only_reads: bool = False
    ) -> None:
        self.meaning = meaning
        self.place = place
        self._spool = Spool(spool)
        self.database = self._spool.database
        """The spool's file: what is safe here while the server is away."""
        self._sender = Sender(self._spool, place)
        self._only_reads = only_reads
        headers = {"Authorization": f"Token {place.token}"} if place.token else {}
        self._http = httpx.AsyncClient(base_url=place.url, headers=headers, timeout=place.timeout_s)
        self._first: dict[str, int] = {}
        self._offered_at: datetime | None = None
        self._offered = 0
        self._closed = False

    async def __aenter__(self) -> Self:
        if not self._only_reads:
            self._sender.start()
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.close()

    @property
    def trouble(self) -> str | None:
        """Return what keeps the spool from being sent and how much waits, in a sentence; None while all is well."""
        failure, waiting = self._sender.failure, self._spool.waiting
        if failure is None or not waiting.readings:
            return failure
        return f"{failure} ({waiting.words()})"

    # writing

    async def append(self, batch: Sequence[WireReading]) -> None:
        """Put a batch into the spool, and return when it is safe there; it is sent in the background."""
        if not batch:
            return
        await self._spool.put(await asyncio.to_thread(packed, tuple(batch), self.meaning))
        self._sender.wake()

    async def keep_exact(self, unit: str, start: datetime, end: datetime, why: str) -> None:
        """Note a span to be kept; the server's retention policy is what decides."""
        line = f"kept,unit={key(unit)} until={milliseconds(end)}i,why={string(why)} {milliseconds(start)}"
        await self._spool.put([row_of([line.encode()])])
        self._sender.wake()

    async def take_out(
        self,
        unit: str,
        origin: str,
        start: datetime,
        end: datetime,
        *,
        let_go: bool,  # noqa: ARG002 - the server's affair
    ) -> frozenset[date]:
        """Take a unit's imported readings of one origin out, by their times and their tag; return the days that lost any.

        What waits in the spool is sent first, lest it come after. Of a server that takes no DELETE it says so.
        """
        await self._sender.send()
        first_ms, end_ms = milliseconds(start), milliseconds(end)
        days: set[date] = set()
        tagged = f"corrections = {literal(IMPORTED)}"
        while first_ms < end_ms:
            next_ms = min(first_ms + _OUT_WINDOW_MS, end_ms)
            found = await self.query(
                f'SELECT "@start" FROM {field(MEASUREMENT)}'  # noqa: S608
                f" WHERE {between(unit, first_ms, next_ms)} AND {tagged}"
            )
            rows = [(int(at), json.loads(start_id)) for part in found for at, start_id in part["values"]]
            for ours, same in groupby(sorted(rows), key=lambda row: row[1] == origin):
                times = [at for at, _ in same]
                if ours:
                    span = between(unit, times[0], times[-1] + 1)
                    out = f"DELETE FROM {field(MEASUREMENT)} WHERE {span} AND {tagged}"  # noqa: S608
                    await self.query(out, changes=True)
                    days |= {moment(at).date() for at in times}
            first_ms = next_ms
        self._first.pop(unit, None)
        return frozenset(days)

    async def send(self) -> None:
        """Send what is in the spool, oldest first, until it is empty. Raises StoreError where the server is away."""
        await self._sender.send()

    async def waiting(self) -> int:
        """Return how many readings wait in the spool."""
        return self._spool.waiting.readings

    async def tend(self, now: datetime, *, let_go: bool = True) -> tuple[str, ...]:  # noqa: ARG002 - the interface's
        """Return what the server refused for good, and what has waited for more than ten minutes.

        What was refused stays in the spool's file, and is offered to the server again at the first call and
        once a day: whoever mends the cause need do nothing else. Whoever cannot takes it out (`export --form refused`).
        """
        self._sender.wake()
        await self._sender.arrived(_ARRIVAL_S)
        found = []
        waiting = self._spool.waiting
        if waiting.first_ms is not None and milliseconds(now - _LATE) > waiting.first_ms:
            found.append(
                f"{self.place.url}: {waiting.words()}: so much waits in the local spool to be sent to InfluxDB, and what "
                "is shown of the past lacks it until then"
            )
        refused = await self._spool.refused()
        if refused is not None:
            found.append(
                f"{self._spool.path}: {refused.held.words()}: so much was refused by InfluxDB ({refused.why}); mend the "
                "cause: they are kept in this file and offered again at each start and once a day; or take them out with "
                "`ridethrough export FILE --form refused --let-go`"
            )
            # negative: the clock was set back
            if self._offered_at is None or not timedelta(0) <= now - self._offered_at < _OFFERED_EVERY:
                self._offered_at, self._offered = now, refused.newest
            await self._spool.offer_again(self._offered)
            self._sender.wake()
        return tuple(found)

    # reading

    async def query(self, text: str, *, changes: bool = False) -> list[dict[str, Any]]:
        """Return the series that InfluxQL gives. Raises StoreError. `changes`: it is no mere question.

        A statement that cannot be parsed is refused with HTTP 400; one that means nothing comes back
        with HTTP 200 and an error within: both are looked for.
        """
        asked = {"db": self.place.asked, "q": text, "epoch": "ms"}
        if self.place.policy is not None:
            asked["rp"] = self.place.policy
        try:
            reply = await self._http.request("POST" if changes else "GET", "/query", params=asked)
            found = await asyncio.to_thread(reply.json)
        except (httpx.HTTPError, ValueError) as error:
            raise self.place.away(str(error) or type(error).__name__) from error
        if not isinstance(found, dict):
            raise self.place.away("its reply is not an object")
        results = found.get("results") or [{}]
        wrong = found.get("error") or results[0].get("error")
        if reply.status_code != httpx.codes.OK or wrong:
            why = wrong or found.get("message", "no reason given")
            raise self.place.failed(reply.status_code, f"{reply.status_code}: {why}")
        series: list[dict[str, Any]] = results[0].get("series", [])
        if any(part.get("partial") for part in series):
            raise self.place.away("the reply was cut off by the server's limit of rows")
        return series

    async def series(
        self, unit: str, quantity: str, *, line: int | None, start: datetime, end: datetime, points: int
    ) -> tuple[Bucket, ...]:
        """Return at most `points` buckets that cover `start` to `end` (excluded)."""
        name = self.meaning.object_of(quantity, line)
        if name is None:
            raise QuantityUnknownError(quantity, line)
        grid = Grid.over(start, end, points)
        await self._sender.arrived(_ARRIVAL_S)
        first_ms = await self._first_ms(unit)
        found = [] if first_ms is None else await self._summaries(unit, name, grid)
        return await asyncio.to_thread(self._bucketed, grid, name, found, first_ms)

    async def several(
        self, unit: str, quantities: Sequence[str], *, start: datetime, end: datetime, points: int
    ) -> tuple[tuple[Bucket, ...], ...]:
        """Return what `series` does of quantities that have no lines, asked for one after the other."""
        found = [
            await self.series(unit, one, line=None, start=start, end=end, points=points) for one in quantities
        ]
        return tuple(found)

    async def _summaries(self, unit: str, name: str, grid: Grid) -> list[dict[str, Any]]:
        wire, meant = field(name), field(f"v:{name}")
        numbers = ", ".join(
            f"{function}({name}) AS {function}_{mark}"
            for mark, name in (("w", wire), ("v", meant))
            for function in ("count", "min", "max", "sum")
        )
        asked = ", ".join(
            f"count({field(mark + name)}) AS asked_{mark[0]}" for mark in ("r:", "t:", "b:", "x:", "n:")
        )
        polls = 'count("@period") AS polls, sum("@period") AS covered, count("@silence") AS silent'
        return await self.query(
            f"SELECT {numbers}, {asked}, {polls} FROM {field(MEASUREMENT)}"  # noqa: S608
            f" WHERE {between(unit, grid.start_ms, grid.end_ms)}"
            f" GROUP BY time({grid.step_ms}ms, {grid.start_ms % grid.step_ms}ms), corrections fill(none)"
        )

    def _bucketed(
        self, grid: Grid, name: str, found: Sequence[Mapping[str, Any]], first_ms: int | None
    ) -> tuple[Bucket, ...]:
        sums = Sums(grid)
        for part in found:
            self._gather(sums, name, part)
        return sums.buckets(first_ms)

    def _gather(self, sums: Sums, name: str, part: Mapping[str, Any]) -> None:
        columns = {
            column: np.array([row[place] or 0 for row in part["values"]])
            for place, column in enumerate(part["columns"])
        }
        at = columns["time"].astype(np.int64)
        columns = {key: value.astype(np.int64) if key[-1] != "v" else value for key, value in columns.items()}
        polls = columns["polls"]
        sums.add_polls(at, polls=polls, heard=polls - columns["silent"], covered_ms=columns["covered"])
        asked = sum(columns[f"asked_{mark}"] for mark in "rtbxn") + columns["count_w"]
        good = columns["count_w"]
        places = (at - sums.grid.start_ms) // sums.grid.step_ms
        low, high, total = columns["min_w"], columns["max_w"], columns["sum_w"]
        table = np.stack([places, asked, good, low, high, high, total])
        corrections = str(part.get("tags", {}).get("corrections", ""))
        parts = [(sums.grid.start_ms, corrections, rollup.Rollup(rollup.INTEGERS, table))]
        rollup.gather(sums, name, self.meaning, parts, sums.grid.step_ms)
        meant = columns["count_v"].astype(np.int64)
        sums.add(
            at,
            low=columns["min_v"].astype(np.float64),
            high=columns["max_v"].astype(np.float64),
            total=columns["sum_v"].astype(np.float64),
            good=meant,
            asked=np.zeros(len(at), dtype=np.int64),
        )

    async def _first_ms(self, unit: str) -> int | None:
        if unit not in self._first:
            found = await self.query(
                f'SELECT first("@period") FROM {field(MEASUREMENT)} WHERE unit = {literal(unit)}'  # noqa: S608
            )
            if not found:
                return None
            self._first[unit] = int(found[0]["values"][0][0])
        return self._first[unit]

    async def first(self, unit: str) -> datetime | None:
        """Return when a unit was first read, None where nothing of it is at the server yet."""
        await self._sender.arrived(_ARRIVAL_S)
        first_ms = await self._first_ms(unit)
        return None if first_ms is None else moment(first_ms)

    async def last(self, unit: str) -> WireReading | None:
        """Return the newest reading of a unit that was neither a silence nor imported."""
        waiting = await self._spool.newest(unit)  # first: what is sent meanwhile is at the server
        if waiting is not None:
            return waiting
        # any field of a card's answer, which a silence has none of
        found = await self.query(
            f"SELECT /^[^@]/ FROM {field(MEASUREMENT)} WHERE unit = {literal(unit)}"  # noqa: S608
            f" AND corrections != {literal(IMPORTED)} ORDER BY time DESC LIMIT 1"
        )
        if not found:
            return None
        at_ms = int(found[0]["values"][0][0])
        found = await self.query(
            f"SELECT * FROM {field(MEASUREMENT)} WHERE {between(unit, at_ms, at_ms + 1)}"  # noqa: S608
        )
        return next((reading for reading in readings_in(unit, found) if reading.silence is None), None)

    async def readings(self, unit: str, start: datetime, end: datetime) -> AsyncIterator[WireReading]:
        """Yield exact readings and silences, oldest first, from `start` to `end` (excluded)."""
        await self._sender.arrived(_ARRIVAL_S)
        first_ms, end_ms = milliseconds(start), milliseconds(end)
        while first_ms < end_ms:
            found = await self.query(
                f"SELECT first({field('@period')}) FROM {field(MEASUREMENT)}"  # noqa: S608
                f" WHERE {between(unit, first_ms, end_ms)}"
            )
            if not found:
                return
            first_ms = int(found[0]["values"][0][0])
            next_ms = min(first_ms + _WINDOW_MS, end_ms)
            found = await self.query(
                f"SELECT * FROM {field(MEASUREMENT)} WHERE {between(unit, first_ms, next_ms)}"  # noqa: S608
            )
            for reading in await asyncio.to_thread(_all_in, unit, found):
                yield reading
            first_ms = next_ms

    async def units(self) -> tuple[str, ...]:
        """Return the names of all units ever read."""
        await self._sender.arrived(_ARRIVAL_S)
        found = await self.query(f'SHOW TAG VALUES FROM {field(MEASUREMENT)} WITH KEY = "unit"')
        return tuple(sorted(str(row[1]) for part in found for row in part["values"]))

    async def close(self) -> None:
        """Stop sending and close; what is still in the spool is sent after the next start. Safe to call twice."""
        if self._closed:
            return
        self._closed = True
        await self._sender.close()
        await self._http.aclose()
        await self._spool.close()


def _all_in(unit: str, found: Sequence[Mapping[str, Any]]) -> list[WireReading]:
    return list(readings_in(unit, found))
