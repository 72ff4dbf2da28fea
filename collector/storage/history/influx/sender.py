"""Sends what waits in the spool to InfluxDB, in order, again and again until the server has taken it.

About `MOST_LINES` lines go at once, fewer after a failure, since a slow way may not carry as many in time. What
the server refuses for good (400, 413, 422) is halved until the line at fault stands alone: that one is put aside
with the reason, and the others arrive. A line that is older than the server's own policy keeps is let go: the
policy would have deleted it.
"""

from __future__ import annotations

import asyncio
import logging
import threading
from collections.abc import Callable
from contextlib import suppress
from http import HTTPStatus
from typing import Final

from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.client.write_api import SYNCHRONOUS
from influxdb_client.rest import ApiException
from urllib3.exceptions import HTTPError

from collector.storage.database import StoreError
from collector.storage.history.influx.access import InfluxPlace
from collector.storage.history.influx.spool import MOST_LINES, Due, Refusal, Spool

_BACK_OFF_S: Final = (1.0, 2.0, 5.0, 10.0, 30.0, 60.0)
_FEWEST_LINES: Final = 50
_MOST_HALVINGS: Final = 64
"""Of one piece, looking for lines at fault: enough for a handful in 5,000. Of what is too large, no limit."""
_FOR_GOOD: Final = frozenset(
    {HTTPStatus.BAD_REQUEST, HTTPStatus.REQUEST_ENTITY_TOO_LARGE, HTTPStatus.UNPROCESSABLE_ENTITY}
)
_TOO_OLD: Final = "beyond retention policy"
Answer = tuple[int, str] | None
"""Status and words of a refusal for good; None where all was taken."""
_log = logging.getLogger(__name__)


class Sender:
    """The task that sends, and how it fares. `failure` says what keeps it from sending, None while all is well."""

    def __init__(self, spool: Spool, place: InfluxPlace) -> None:
        self.failure: str | None = None
        self._spool = spool
        self._place = place
        self._client = InfluxDBClient(
            url=place.url, token=place.token, org=place.org, timeout=int(place.timeout_s * 1000)
        )
        self._write_api = self._client.write_api(write_options=SYNCHRONOUS)
        self._sending = asyncio.Lock()
        self._wanted = asyncio.Event()
        self._rested = asyncio.Event()
        self._task: asyncio.Task[None] | None = None
        self._most = MOST_LINES

    def start(self) -> None:
        """Begin to send, and go on until closed."""
        if self._task is None:
            self._task = asyncio.create_task(self._keep_sending(), name="influx sender")
        self.wake()

    def wake(self) -> None:
        """Have it look into the spool now."""
        if self._spool.waiting.rows:
            self._rested.clear()
            self._wanted.set()

    async def arrived(self, within_s: float) -> None:
        """Return when the spool is empty, after `within_s` at the latest.

        At once while nothing can be sent, and while more waits than goes at once: that will not have arrived in time.
        """
        waiting = self._spool.waiting
        if (
            self._task is None
            or self.failure is not None
            or not waiting.rows
            or waiting.readings > MOST_LINES
        ):
            return
        try:
            async with asyncio.timeout(within_s):
                await self._rested.wait()
        except TimeoutError:
            pass

    async def send(self) -> None:
        """Send until the spool is empty. Raises StoreError where the server is away, with the rest still in it."""
        async with self._sending:
            try:
                while (due := await self._spool.due(self._most)) is not None:
                    await self._spool.settle(due, await self._deliver(due))
                    self._most = min(2 * self._most, MOST_LINES)
            except StoreError as error:
                self.failure = str(error)
                self._most = max(self._most // 2, _FEWEST_LINES)
                raise
            self.failure = None

    async def close(self) -> None:
        """Stop; what is in the spool stays there."""
        if self._task is not None:
            self._task.cancel()
            await asyncio.gather(self._task, return_exceptions=True)
        async with self._sending:
            await asyncio.to_thread(self._client.close)

    async def _keep_sending(self) -> None:
        failures = 0
        while True:
            await self._wanted.wait()
            self._wanted.clear()
            try:
                await self.send()
            except StoreError:  # away: the spool holds everything, and the wait grows
                failures += 1
            except Exception as error:  # noqa: BLE001 - a row nobody foresaw must not end the sending for good
                self.failure = (
                    f"{self._place.url}: sending met a fault in ridethrough ({error!r}) and is tried again; send its "
                    "text to whoever keeps ridethrough; what was read waits in the local spool"
                )
                _log.exception("sending to InfluxDB")
                failures += 1
            else:
                failures = 0
            if failures:
                self._wanted.set()
            if failures or not self._spool.waiting.rows:
                self._rested.set()
            if failures:
                await asyncio.sleep(_BACK_OFF_S[min(failures, len(_BACK_OFF_S)) - 1])

    async def _deliver(self, due: Due) -> list[Refusal]:
        """Write lines in order; return those that the server refused for good. Raises StoreError."""
        refused: list[Refusal] = []
        parts = [due.lines[n : n + self._most] for n in range(0, len(due.lines), self._most)][::-1]
        halvings = 0
        while parts:
            part = parts.pop()
            refusal = await _aside(self._write, part)
            if refusal is None:
                continue
            status, why = refusal
            too_large = status == HTTPStatus.REQUEST_ENTITY_TOO_LARGE
            if len(part) > 1 and (too_large or halvings < _MOST_HALVINGS):
                halvings += not too_large
                middle = len(part) // 2
                parts += [part[middle:], part[:middle]]
            else:
                refused.append(Refusal(part, why))
        return refused

    def _write(self, lines: tuple[bytes, ...]) -> Answer:
        """Write lines to the server; return status and words of a refusal for good. Raises StoreError."""
        try:
            self._write_api.write(
                bucket=self._place.bucket,
                org=self._place.org,
                record=b"\n".join(lines),
                write_precision="ms",  # type: ignore[arg-type]
            )
        except ApiException as error:
            if error.status not in _FOR_GOOD:
                said = f"writing gave {error.status} {error.reason}"
                raise self._place.failed(error.status, said) from error
            if _TOO_OLD in str(error.body):
                _log.warning("InfluxDB keeps no readings this old: %s", str(error.body)[:500])
                return None
            return error.status, f"{error.status} {error.reason}: {str(error.body)[:500]}"
        except (HTTPError, OSError) as error:
            raise self._place.away(str(error)) from error
        return None


async def _aside(work: Callable[[tuple[bytes, ...]], Answer], lines: tuple[bytes, ...]) -> Answer:
    """Run `work` on a thread that nobody waits for at the end: a server that holds the line holds up no stop."""
    loop = asyncio.get_running_loop()
    done: asyncio.Future[Answer] = loop.create_future()

    def tell(answer: Answer, error: Exception | None) -> None:
        if done.done():
            return
        if error is None:
            done.set_result(answer)
        else:
            done.set_exception(error)

    def run() -> None:
        answer, failed = None, None
        try:
            answer = work(lines)
        except Exception as error:  # noqa: BLE001 - it is the waiting task's
            failed = error
        with suppress(RuntimeError):  # the loop has closed meanwhile
            loop.call_soon_threadsafe(tell, answer, failed)

    threading.Thread(target=run, name="write to InfluxDB", daemon=True).start()
    return await done
