"""The real program beside a test: `ridethrough run` as a process of its own, asked over HTTP, stopped or killed."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final, TypeVar

import httpx

ROOT: Final = Path(__file__).resolve().parents[1]
PATIENCE_S: Final = 90.0
CODE: Final = "import sys; from api.commands.main import main; sys.exit(main())"

T = TypeVar("T")


def eventually(found: Callable[[], T | None], what: str, within_s: float = PATIENCE_S) -> T:
    """Return what `found` gives as soon as it is something; fail with `what` when it never is."""
    end = time.monotonic() + within_s
    while time.monotonic() < end:
        value = found()
        if value:
            return value
        time.sleep(0.05)
    raise AssertionError(f"never came in {within_s:g} s: {what}")


def command(*arguments: str) -> subprocess.CompletedProcess[str]:
    """Run one command of the program to its end."""
    return subprocess.run(
        [sys.executable, "-c", CODE, *arguments],
        cwd=ROOT, capture_output=True, text=True, timeout=PATIENCE_S, check=False, env=_environment(),
    )  # fmt: skip


def free_tcp_port() -> int:
    """Return a TCP port that was free a moment ago."""
    with socket.create_server(("127.0.0.1", 0)) as bound:
        return int(bound.getsockname()[1])


class Daemon:
    """A running `ridethrough run`, or what else `runs`; `code` starts it where a trial needs a door of its own."""

    def __init__(
        self,
        estate: Path,
        data: Path,
        log: Path,
        *more: str,
        code: str = CODE,
        runs: str = "run",
        port: int | None = None,
    ) -> None:
        self.data = data
        self.port = port or free_tcp_port()
        self._log = log
        arguments = [runs, str(estate), "--data", str(data), "--port", str(self.port), *more]
        with log.open("ab") as out:
            self.process = subprocess.Popen(
                [sys.executable, "-c", code, *arguments],
                cwd=ROOT, stdout=out, stderr=out, env=_environment(),
            )  # fmt: skip
        self._client = httpx.Client(base_url=f"http://127.0.0.1:{self.port}", timeout=30.0)

    def show(self, token: str) -> None:
        """Show a token from now on with whatever is asked."""
        self._client.headers["authorization"] = f"Bearer {token}"

    def get(self, path: str) -> tuple[int, Any]:
        """Return the status and the JSON of a path, 0 and None while nothing answers."""
        assert self.process.poll() is None, self._log.read_text("utf-8")
        try:
            answer = self._client.get(path)
        except httpx.TransportError:
            return 0, None
        return answer.status_code, json.loads(answer.content, parse_constant=_not_finite)

    def page(self, path: str) -> bytes:
        """Return a page, which must be there."""
        answer = self._client.get(path)
        assert answer.status_code == 200, path
        return answer.content

    def wait_for(
        self, path: str, found: Callable[[Any], T | None], what: str, within_s: float = PATIENCE_S
    ) -> T:
        """Return what `found` makes of a path's JSON, as soon as it makes something."""

        def look() -> T | None:
            status, body = self.get(path)
            return found(body) if status == 200 else None

        return eventually(look, f"{what}\n{self._log.read_text('utf-8')}", within_s)

    def end(self, number: signal.Signals) -> tuple[int, float]:
        """Send a signal; return the exit code and the seconds until the process was gone."""
        began = time.monotonic()
        self.process.send_signal(number)
        code = self.process.wait(PATIENCE_S)
        return code, time.monotonic() - began

    def close(self) -> None:
        """Leave nothing behind."""
        self._client.close()
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait(PATIENCE_S)


@contextmanager
def daemon(
    estate: Path, data: Path, *more: str, runs: str = "run", port: int | None = None
) -> Iterator[Daemon]:
    """Run the service on an estate file, or a centre on its own, until the block ends; at a port of its own if none is named."""
    running = Daemon(estate, data, estate.with_suffix(".log"), *more, runs=runs, port=port)
    try:
        eventually(lambda: running.get("/health/live")[0], "an answer over HTTP")
        yield running
    finally:
        running.close()


def _environment() -> dict[str, str]:
    quiet = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    return {**os.environ, **quiet, "PYTHONPATH": str(ROOT)}


def _not_finite(constant: str) -> Any:
    raise AssertionError(f"a number that is not finite: {constant}")
