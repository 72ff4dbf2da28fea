"""How tasks end when they are asked to, though a library on the way may have swallowed the asking.

A cancellation is an exception raised once, at one await. Code below that await can lose it: `asyncio.wait_for` of
Python 3.11 returns a result that came in the same turn of the loop instead; an error on the way out of a context
replaces it. The task then goes on as if nobody had asked, and whoever waits for it waits for ever. But a task knows
how often it was asked (`asyncio.Task.cancelling`), and that nothing swallows.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Awaitable, Collection, Iterator
from contextlib import contextmanager
from time import monotonic
from typing import Any, Final, TypeVar

T = TypeVar("T")
log = logging.getLogger(__name__)

TOLD_S: Final = 1.0
"""What of a stop takes longer is told in the log."""
ASK_AGAIN_S: Final = 0.5
"""After how long whoever has not ended is asked again; longer than leaving a broker takes as a rule."""


@contextmanager
def step_of_stop(what: str) -> Iterator[None]:
    """Tell in the log if this part of a stop took long: a stop has five seconds, and somebody may ask where they went."""
    began_s = monotonic()
    try:
        yield
    finally:
        took_s = monotonic() - began_s
        if took_s > TOLD_S:
            log.warning("stopping: %s took %.1f s", what, took_s)


async def heeded(awaitable: Awaitable[T]) -> T:
    """Return what an awaitable gives; if this task was asked to end meanwhile, end, whatever it gave or raised."""
    task = asyncio.current_task()
    before = 0 if task is None else task.cancelling()
    try:
        result = await awaitable
    except Exception as error:
        if task is not None and task.cancelling() > before:
            raise asyncio.CancelledError from error
        raise
    if task is not None and task.cancelling() > before:
        raise asyncio.CancelledError
    return result


def asked_to_end(*, before: int = 0) -> bool:
    """Return whether this task was asked to end more than `before` times (`asyncio.Task.cancelling`)."""
    task = asyncio.current_task()
    return task is not None and task.cancelling() > before


async def to_its_end(under_way: asyncio.Future[T]) -> T:
    """Return what a future gives, however often this task is asked to end meanwhile; then heed that."""
    asked: asyncio.CancelledError | None = None
    while not under_way.done():
        try:
            await asyncio.wait({under_way})
        except asyncio.CancelledError as error:
            asked = error
    if asked is not None:
        under_way.result()
        raise asked
    return under_way.result()


async def ended(tasks: Collection[asyncio.Task[Any]], *, ask_again_s: float = ASK_AGAIN_S) -> None:
    """Ask tasks to end, and return once they have; whoever was asked and goes on is asked again and again.

    That holds for the tasks they started as well: a group asks its members once and then waits for them.
    """
    for task in tasks:
        task.cancel()
    going_on: Collection[asyncio.Task[Any]] = set(tasks)
    began_s, told = monotonic(), False
    while going_on:
        _, going_on = await asyncio.wait(going_on, timeout=ask_again_s)
        if going_on:
            if not told and monotonic() - began_s > TOLD_S:
                told = True
                named = ", ".join(sorted(task.get_name() for task in going_on))
                log.warning("stopping: still waits for %s after %.1f s", named, monotonic() - began_s)
            for task in asyncio.all_tasks() - {asyncio.current_task()}:
                if task.cancelling():
                    task.cancel()
