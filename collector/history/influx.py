"""The store for estates that outgrow one box: InfluxDB, 1.8 or newer, behind the same interface.

Written through the official client to the v2 write endpoint, which 1.8, 2.x and 3.x all have; read by
InfluxQL over HTTP, which all of them speak (2.x needs a mapping of the bucket to a database). A batch
is safe once it is in the local spool; from there it is sent in order, again and again until the server
has taken it. A batch sent twice writes the same points twice, which InfluxDB keeps once.

Run against a real 1.6 (with a path mapping before it, since 1.6 lacks the v2 endpoint); 1.8, 2.x and 3.x
were not run.
"""

from __future__ import annotations

import asyncio
import sqlite3
import zlib
from collections.abc import AsyncIterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Final, Self

import httpx
import numpy as np
from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.client.write_api import SYNCHRONOUS
from influxdb_client.rest import ApiException
from urllib3.exceptions import HTTPError

from collector.database import Database, StoreError, StoreFault
from collector.history import rollup
from collector.history.buckets import Grid, Sums
from collector.history.columns import milliseconds
from collector.history.influx_lines import (
    LATEST_MS,
    MEASUREMENT,
    between,
    field,
    key,
    line_of,
    literal,
    readings_in,
    string,
)
from collector.history.store import Bucket, Meaning, QuantityUnknownError, WireReading

_STEPS: Final = (
    (
        "CREATE TABLE spool (seq INTEGER PRIMARY KEY AUTOINCREMENT, lines BLOB NOT NULL) STRICT",
        "CREATE TABLE refused (seq INTEGER PRIMARY KEY, lines BLOB NOT NULL, why TEXT NOT NULL) STRICT",
    ),
)
_WINDOW_MS: Final = 6 * 3_600_000
_NO_DATABASE: Final = ("database not found", "bucket not found")
"""How 1.x and 2.x say it within a reply of status 200 (`query`)."""
_BACK_OFF_S: Final = (1.0, 2.0, 5.0, 10.0, 30.0, 60.0)


@dataclass(frozen=True, slots=True)
class InfluxPlace:
    """Where the server is, and where in it the readings go.

    `database` is the name for InfluxQL, where it differs from the bucket ("bucket/policy" on 1.8).
    """

    url: str
    bucket: str
    token: str = ""
    org: str = ""
    database: str | None = None
    policy: str | None = None
    timeout_s: float = 10.0

    def __repr__(self) -> str:
        """Leave the token out."""
        return f"InfluxPlace(url={self.url!r}, bucket={self.bucket!r})"


class InfluxHistory:
    """History in InfluxDB. Satisfies `HistoryStore`; how long readings are kept is the server's policy."""

    def __init__(self, spool: Path, place: InfluxPlace, meaning: Meaning) -> None:
        self.meaning = meaning
        self.place = place
        self._spool = Database(spool, _STEPS)
        self._client = InfluxDBClient(
            url=place.url, token=place.token, org=place.org, timeout=int(place.timeout_s * 1000)
        )
        self._write_api = self._client.write_api(write_options=SYNCHRONOUS)
        headers = {"Authorization": f"Token {place.token}"} if place.token else {}
        self._http = httpx.AsyncClient(base_url=place.url, headers=headers, timeout=place.timeout_s)
        self._sending = asyncio.Lock()
        self._something = asyncio.Event()
        self._sender: asyncio.Task[None] | None = None
        self._first: dict[str, int] = {}
        self._closed = False
        self.trouble: str | None = None
        """What keeps the spool from being sent, in a sentence; None while all is well."""

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.close()

    # writing

    async def append(self, batch: Sequence[WireReading]) -> None:
        """Put a batch into the spool, and return when it is safe there; it is sent in the background."""
        if not batch:
            return
        lines = zlib.compress("\n".join(line_of(reading, self.meaning) for reading in batch).encode())
        await self._spool.write(
            lambda c: c.execute("INSERT INTO spool (lines) VALUES (?)", (lines,)).lastrowid
        )
        self._something.set()
        if self._sender is None:
            self._sender = asyncio.create_task(self._keep_sending(), name="influx sender")

    async def keep_exact(self, unit: str, start: datetime, end: datetime, why: str) -> None:
        """Note a span to be kept; the server's retention policy is what decides."""
        line = f"kept,unit={key(unit)} until={milliseconds(end)}i,why={string(why)} {milliseconds(start)}".encode()
        packed = zlib.compress(line)
        await self._spool.write(
            lambda c: c.execute("INSERT INTO spool (lines) VALUES (?)", (packed,)).lastrowid
        )
        self._something.set()

    async def _keep_sending(self) -> None:
        failures = 0
        while True:
            await self._something.wait()
            self._something.clear()
            try:
                await self.send()
                failures = 0
            except StoreError:  # away: the spool holds everything, and the wait grows
                self._something.set()
                await asyncio.sleep(_BACK_OFF_S[min(failures, len(_BACK_OFF_S) - 1)])
                failures += 1

    async def send(self) -> None:
        """Send what is in the spool, oldest first, until it is empty. Raises StoreError where the server is away."""
        async with self._sending:
            while (batch := await self._spool.read(_oldest)) is not None:
                try:
                    why = await asyncio.to_thread(self._send, zlib.decompress(batch[1]))
                except StoreError as error:
                    self.trouble = str(error)
                    raise
                await self._spool.write(lambda c, b=batch, w=why: _settle(c, b, w))  # type: ignore[misc]
            self.trouble = None

    def _send(self, lines: bytes) -> str | None:
        """Write lines to the server; return why it refused them for good, None if it took them."""
        try:
            self._write_api.write(
                bucket=self.place.bucket,
                org=self.place.org,
                record=lines,
                write_precision="ms",  # type: ignore[arg-type]
            )
        except ApiException as error:
            if error.status in {400, 413, 422}:
                return f"{error.status} {error.reason}: {str(error.body)[:500]}"
            raise self._failed(error.status, f"writing gave {error.status} {error.reason}") from error
        except (HTTPError, OSError) as error:
            raise self._away(str(error)) from error
        return None

    def _away(self, what: str) -> StoreError:
        return StoreError(self.place.url, StoreFault.AWAY, f"InfluxDB did not answer as it should ({what})")

    def _failed(self, status: int | None, what: str) -> StoreError:
        """Return the error behind a status or words of the server's."""
        database = self.place.database or self.place.bucket
        if status in {httpx.codes.UNAUTHORIZED, httpx.codes.FORBIDDEN}:
            return StoreError(
                self.place.url,
                StoreFault.REFUSED,
                f"InfluxDB refuses this identity for database {database!r} ({what})",
            )
        if status == httpx.codes.NOT_FOUND or any(words in what for words in _NO_DATABASE):
            return StoreError(
                self.place.url, StoreFault.MISSING, f"InfluxDB has no database {database!r} ({what})"
            )
        return self._away(what)

    async def waiting(self) -> int:
        """Return how many batches wait in the spool."""
        return await self._spool.read(lambda c: int(c.execute("SELECT count(*) FROM spool").fetchone()[0]))

    async def tend(self, now: datetime, *, let_go: bool = True) -> tuple[str, ...]:  # noqa: ARG002 - the interface's
        """Send what waits; return what the server refused for good (it is kept in the spool's file)."""
        await self.send()
        return await self._spool.read(
            lambda c: tuple(
                f"batch {seq} was refused: {why}" for seq, why in c.execute("SELECT seq, why FROM refused")
            )
        )

    # reading

    async def query(self, text: str) -> list[dict[str, Any]]:
        """Return the series that InfluxQL gives. Raises StoreError.

        A statement that cannot be parsed is refused with HTTP 400; one that means nothing comes back
        with HTTP 200 and an error within: both are looked for.
        """
        asked = {"db": self.place.database or self.place.bucket, "q": text, "epoch": "ms"}
        if self.place.policy is not None:
            asked["rp"] = self.place.policy
        try:
            reply = await self._http.get("/query", params=asked)
            found = reply.json()
        except (httpx.HTTPError, ValueError) as error:
            raise self._away(str(error) or type(error).__name__) from error
        if not isinstance(found, dict):
            raise self._away("its reply is not an object")
        results = found.get("results") or [{}]
        wrong = found.get("error") or results[0].get("error")
        if reply.status_code != httpx.codes.OK or wrong:
            why = wrong or found.get("message", "no reason given")
            raise self._failed(reply.status_code, f"{reply.status_code}: {why}")
        series: list[dict[str, Any]] = results[0].get("series", [])
        if any(part.get("partial") for part in series):
            raise self._away("the reply was cut off by the server's limit of rows")
        return series

    async def series(
        self, unit: str, quantity: str, *, line: int | None, start: datetime, end: datetime, points: int
    ) -> tuple[Bucket, ...]:
        """Return at most `points` buckets that cover `start` to `end` (excluded)."""
        name = self.meaning.object_of(quantity, line)
        if name is None:
            raise QuantityUnknownError(quantity, line)
        grid = Grid.over(start, end, points)
        await self.send()
        first_ms = await self._first_ms(unit)
        sums = Sums(grid)
        if first_ms is None:
            return sums.buckets(None)
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
        found = await self.query(
            f"SELECT {numbers}, {asked}, {polls} FROM {field(MEASUREMENT)}"  # noqa: S608
            f" WHERE {between(unit, grid.start_ms, grid.end_ms)}"
            f" GROUP BY time({grid.step_ms}ms, {grid.start_ms % grid.step_ms}ms), corrections fill(none)"
        )
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

    async def last(self, unit: str) -> WireReading | None:
        """Return the newest reading of a unit that was not a silence."""
        await self.send()
        before_ms = LATEST_MS
        while True:
            found = await self.query(
                f"SELECT * FROM {field(MEASUREMENT)} WHERE {between(unit, 0, before_ms)}"  # noqa: S608
                " ORDER BY time DESC LIMIT 50"
            )
            readings = list(readings_in(unit, found))
            for reading in readings:
                if reading.silence is None:
                    return reading
            if not readings:
                return None
            before_ms = milliseconds(readings[-1].at)

    async def readings(self, unit: str, start: datetime, end: datetime) -> AsyncIterator[WireReading]:
        """Yield exact readings and silences, oldest first, from `start` to `end` (excluded)."""
        await self.send()
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
            for reading in readings_in(unit, found):
                yield reading
            first_ms = next_ms

    async def units(self) -> tuple[str, ...]:
        """Return the names of all units ever read."""
        await self.send()
        found = await self.query(f'SHOW TAG VALUES FROM {field(MEASUREMENT)} WITH KEY = "unit"')
        return tuple(sorted(str(row[1]) for part in found for row in part["values"]))

    async def close(self) -> None:
        """Stop sending and close; what is still in the spool is sent after the next start. Safe to call twice."""
        if self._closed:
            return
        self._closed = True
        if self._sender is not None:
            self._sender.cancel()
            await asyncio.gather(self._sender, return_exceptions=True)
        async with self._sending:
            await self._http.aclose()
            await asyncio.to_thread(self._client.close)
            await self._spool.close()


def _oldest(connection: sqlite3.Connection) -> tuple[int, bytes] | None:
    row: tuple[int, bytes] | None = connection.execute(
        "SELECT seq, lines FROM spool ORDER BY seq LIMIT 1"
    ).fetchone()
    return row


def _settle(connection: sqlite3.Connection, batch: tuple[int, bytes], why: str | None) -> None:
    seq, lines = batch
    if why is not None:
        connection.execute("INSERT INTO refused (seq, lines, why) VALUES (?, ?, ?)", (seq, lines, why))
    connection.execute("DELETE FROM spool WHERE seq = ?", (seq,))
