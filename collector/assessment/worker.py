"""One spawned process that judges, so that the event loop never waits for arithmetic.

A request is a function of `rules` with picklable arguments, under a key ("bank B1", "system depot").
Only the newest request of a key waits: an older one that has not started is dropped, since its answer
would be out of date before it came. Requests of different keys are served in the order they came, but for what is asked first.
"""

from __future__ import annotations

import asyncio
import multiprocessing
import os
import signal
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing.connection import Connection
from multiprocessing.context import SpawnProcess
from time import monotonic
from typing import Any, Final, Self, TypeVar

from collector.process.task_cancellation import step_of_stop

T = TypeVar("T")
SPAWN = multiprocessing.get_context("spawn")
STANDS_BACK: Final = 5
"""How much nicer the process is than the one that reads the cards: where both want the same core, the cards are read."""


class JudgementFailed(Exception):  # noqa: N818 - it names what happened to a judgement
    """The function raised, or the process ended, while judging. The text carries the traceback."""


class Superseded(Exception):  # noqa: N818 - not an error: a newer request of the same key took its place
    """A newer request of the same key came before this one started."""


@dataclass(slots=True)
class _Request:
    function: Callable[..., Any]
    arguments: tuple[Any, ...]
    answer: asyncio.Future[Any]
    about: str
    asked_s: float


class Worker:
    """The judging process. Use as an async context manager; `ask` from any task of the loop."""

    def __init__(self) -> None:
        self._waiting: dict[str, _Request] = {}
        self._arrived = asyncio.Event()
        self._process: SpawnProcess | None = None
        self._pipe: Connection | None = None
        self._serving: asyncio.Task[None] | None = None
        self._troubles: dict[str, str] = {}
        self._under_way: _Request | None = None

    async def __aenter__(self) -> Self:
        """Start the process and the task that feeds it."""
        self._start_process()
        self._serving = asyncio.create_task(self._serve(), name="worker")
        return self

    async def __aexit__(self, *_: object) -> None:
        """End the process at once; requests still waiting are cancelled."""
        if self._process is not None:
            self._process.kill()  # wakes a thread that waits on the pipe
        if self._serving is not None:
            self._serving.cancel()
            await asyncio.gather(self._serving, return_exceptions=True)
        for request in self._waiting.values():
            request.answer.cancel()
        if self._process is not None:
            with step_of_stop("ending the judging process"):
                await asyncio.to_thread(self._process.join)
        if self._pipe is not None:
            self._pipe.close()

    @property
    def trouble(self) -> str | None:
        """Return why a judgement failed that has not succeeded since, None where there is none."""
        return next(iter(self._troubles.values()), None)

    @property
    def waiting_count(self) -> int:
        """Return how many requests have not been answered."""
        return len(self._waiting) + (self._under_way is not None)

    @property
    def oldest_s(self) -> float:
        """Return how long the oldest request not answered has waited, in s; 0 for none."""
        asked = [request.asked_s for request in (self._under_way, *self._waiting.values()) if request]
        return monotonic() - min(asked) if asked else 0.0

    async def ask(
        self, key: str, function: Callable[..., T], *arguments: object, about: str | None = None
    ) -> T:
        """Return `function(*arguments)` as reckoned in the process.

        A failure is `trouble` until a request `about` the same (the key, if not given) succeeds.
        Raises Superseded when a newer request of the key replaced this one, and JudgementFailed when
        the function raised or the process died.
        """
        answer: asyncio.Future[T] = asyncio.get_running_loop().create_future()
        older = self._waiting.pop(key, None)
        if older is not None and not older.answer.done():
            older.answer.set_exception(Superseded(key))
        self._waiting[key] = _Request(
            function,
            arguments,
            answer,
            key if about is None else about,
            monotonic() if older is None else older.asked_s,
        )
        self._arrived.set()
        return await answer

    async def ask_first(self, key: str, function: Callable[..., T], *arguments: object) -> T:
        """Return what `ask` does, reckoned before all that waits: for what so many wait for that it cannot."""
        answer = asyncio.ensure_future(self.ask(key, function, *arguments))
        await asyncio.sleep(0)  # it has been asked now
        if key in self._waiting:
            self._waiting = {key: self._waiting.pop(key), **self._waiting}
        return await answer

    async def _serve(self) -> None:
        while True:
            await self._arrived.wait()
            while self._waiting:
                key = next(iter(self._waiting))
                request = self._under_way = self._waiting.pop(key)
                if request.answer.done():
                    continue
                try:
                    failed, result = await asyncio.to_thread(self._exchange, request)
                except (EOFError, OSError) as error:
                    self._restart_process()
                    failed, result = True, f"the judging process ended: {error!r}"
                if request.answer.done():
                    continue
                self._troubles.pop(request.about, None)
                if failed:
                    self._troubles[request.about] = f"{key}: {str(result).strip().splitlines()[-1]}"
                if failed:
                    request.answer.set_exception(JudgementFailed(f"{key}: {result}"))
                else:
                    request.answer.set_result(result)
            self._under_way = None
            self._arrived.clear()

    def _exchange(self, request: _Request) -> tuple[bool, Any]:
        pipe = self._pipe
        if pipe is None:
            raise EOFError
        pipe.send((request.function, request.arguments))
        answer: tuple[bool, Any] = pipe.recv()
        return answer

    def _start_process(self) -> None:
        ours, theirs = SPAWN.Pipe()
        self._process = SPAWN.Process(
            target=_judge_for_ever, args=(theirs,), daemon=True, name="ridethrough-judge"
        )
        self._process.start()
        theirs.close()
        self._pipe = ours

    def _restart_process(self) -> None:
        if self._process is not None:
            self._process.kill()
        if self._pipe is not None:
            self._pipe.close()
        self._start_process()


def _judge_for_ever(pipe: Connection) -> None:
    """Serve requests until the daemon closes the pipe; the daemon owns the signals."""
    import traceback  # noqa: PLC0415 - only the child needs it

    os.nice(STANDS_BACK)
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGHUP, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    while True:
        try:
            function, arguments = pipe.recv()
        except (EOFError, OSError):
            return
        try:
            answer = (False, function(*arguments))
        except Exception:  # noqa: BLE001 - the boundary: one judgement's fault must not end the others'
            answer = (True, traceback.format_exc())
        pipe.send(answer)
