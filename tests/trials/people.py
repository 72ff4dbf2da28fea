"""Who is told in a trial: a web address and a broker that note what arrived when, in a thread of their own."""

from __future__ import annotations

import asyncio
import base64
import json
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from time import monotonic
from typing import Any, Final

from tests.collector.messaging.sinks import WebSink

TOKEN: Final = "whsec_" + base64.b64encode(b"a key of this trial, 32 bytes lo").decode()
DESK: Final = """
[[channel]]
id = "desk"
kind = "webhook"
url = "{url}"
secret = "desk"
[[person]]
name = "Night desk"
reach = [{{ channel = "desk" }}]
tell = [{{ severity = "warning" }}]
"""


class _Timed(list[tuple[dict[str, str], bytes]]):
    """Requests as they come, each with the second of its coming and the status it is answered with beside it."""

    def __init__(self, status: Callable[[], int]) -> None:
        super().__init__()
        self.came_s: list[float] = []
        self.statuses: list[int] = []
        self._status = status

    def append(self, item: tuple[dict[str, str], bytes]) -> None:
        self.came_s.append(monotonic())
        self.statuses.append(self._status())
        super().append(item)


class Desk:
    """A person's web address. `sink.status` may be changed; `stop` and `start` make it go and come."""

    def __init__(self) -> None:
        self._requests = _Timed(lambda: self.sink.status)
        self.sink = WebSink(requests=self._requests)
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, daemon=True)

    def start(self) -> None:
        """Listen; at the same port as before, where it has listened before."""
        if not self._thread.is_alive():
            self._thread.start()
        asyncio.run_coroutine_threadsafe(self.sink.start(), self._loop).result(10)

    def stop(self) -> None:
        """Listen no more."""
        asyncio.run_coroutine_threadsafe(self.sink.stop(), self._loop).result(10)

    def close(self) -> None:
        """End the thread."""
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(10)
        self._loop.close()

    def toml(self, folder: Path) -> str:
        """Return the channel and the person as TOML; the secrets beside the estate file get the channel's."""
        secrets = folder / "secrets.toml"
        known = secrets.read_text("utf-8") if secrets.exists() else '[cards]\ncommunity = "public"\n'
        if "[desk]" not in known:
            secrets.write_text(f'{known}[desk]\ntoken = "{TOKEN}"\n', "utf-8")
        secrets.chmod(0o600)
        return DESK.format(url=self.sink.url)

    def told(self) -> list[tuple[float, dict[str, Any]]]:
        """Return what came: monotonic second, and the event, in order."""
        return [
            (at, json.loads(body))
            for at, (_, body) in zip(self._requests.came_s, list(self._requests), strict=False)
        ]

    def ids(self) -> list[str]:
        """Return the messages' ids in the order of coming (a repeat has the id of the first)."""
        return [headers["webhook-id"] for headers, _ in list(self._requests)]

    def taken(self) -> list[tuple[float, str]]:
        """Return what came and was not refused: monotonic second and the message's id, in order."""
        requests = self._requests
        return [
            (at, headers["webhook-id"])
            for at, status, (headers, _) in zip(
                requests.came_s, requests.statuses, list(requests), strict=False
            )
            if status == 200
        ]


@contextmanager
def desk() -> Iterator[Desk]:
    """Have somebody's web address listen until the block ends."""
    one = Desk()
    one.start()
    try:
        yield one
    finally:
        one.stop()
        one.close()
