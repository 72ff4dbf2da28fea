"""Going round many things slowly, behind the judgements, to keep an answer ready for each; nobody waits for it."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Sequence
from typing import Final, TypeVar

from collector.process.background_budget import Budget

EVERY_S: Final = 120.0
"""At rest: what an alarm or an outage changes of an answer is thrown away at once, and made anew first of all."""
AT_FIRST_S: Final = 1.0
SETTLING_S: Final = 180.0
"""After a start, banks are first believed by age alone and units are heard one by one."""

T = TypeVar("T")


async def go_round(
    budget: Budget,
    work: str,
    things: Sequence[T],
    once: Callable[[T], Awaitable[None]],
    missing: Callable[[], bool],
) -> None:
    """Ask `once` of one thing after another until cancelled; return at once where there is none.

    Quickly while the first judgements come in or an answer is `missing`, then each thing once in `EVERY_S`, and
    never more than the budget has for `work`: a large estate is gone round more slowly.
    """
    clock = budget.clock
    settled_s = clock.monotonic_s() + SETTLING_S
    while things:
        for thing in things:
            began_s = clock.monotonic_s()
            async with budget.piece(work):
                await once(thing)
            quick = missing() or began_s < settled_s
            wanted_s = min(AT_FIRST_S, EVERY_S / len(things)) if quick else EVERY_S / len(things)
            await clock.sleep_until(began_s + wanted_s)
