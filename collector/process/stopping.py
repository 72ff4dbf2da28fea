"""How tasks end when they are asked to, though a library on the way may have swallowed the asking.

A cancellation is an exception raised once, at one await. Code below that await can lose it: `asyncio.wait_for` of
Python 3.11 returns a result that came in the same turn of the loop instead; an error on the way out of a context
replaces it. The task then goes on as if nobody had asked, and whoever waits for it waits for ever. But a task knows
how often it was asked (`asyncio.Task.cancelling`), and that nothing swallows.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Collection
from typing import Any, Final, TypeVar

T = TypeVar("T")

ASK_AGAIN_S: Final = 0.5
"""After how long whoever has not ended is asked again; longer than leaving a broker takes as a rule."""


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
    while going_on:
        _, going_on = await asyncio.wait(going_on, timeout=ask_again_s)
        if going_on:
            for task in asyncio.all_tasks() - {asyncio.current_task()}:
                if task.cancelling():
                    task.cancel()
