"""The event loop gets its turn soon: what a process that serves has set once it is up."""

import asyncio
import gc
import os
import sys
import threading
import weakref
from collections.abc import Iterator

import pytest

from collector.process.loop_tuning import COLLECTED_AFTER, TURN_S, favour_the_loop, let_many_wait


@pytest.fixture
def _as_before() -> Iterator[None]:
    before_s, thresholds = sys.getswitchinterval(), gc.get_threshold()
    yield
    gc.set_threshold(*thresholds)
    sys.setswitchinterval(before_s)
    gc.unfreeze()


@pytest.mark.usefixtures("_as_before")
def test_turns_are_short_and_what_is_loaded_is_not_collected_over_and_over() -> None:
    favour_the_loop()
    assert sys.getswitchinterval() == pytest.approx(TURN_S)
    assert gc.get_freeze_count() > 10_000
    # a collection now looks at what came since, and no more
    assert len(gc.get_objects()) < 0.1 * gc.get_freeze_count()


class _Held:
    """Something that holds another, as a reading does its parts."""

    def __init__(self, other: "_Held | None") -> None:
        self.other = other
        self.me = self if other is None else None


@pytest.mark.usefixtures("_as_before")
def test_what_grows_by_the_thousand_is_not_all_looked_over_again_and_again_and_cycles_are_still_freed() -> (
    None
):
    favour_the_loop()
    full = gc.get_stats()[2]["collections"]
    kept = [
        _Held(_Held(None)) for _ in range(200_000)
    ]  # about what a thousand units bring in their first minute
    assert gc.get_stats()[2]["collections"] - full <= 1  # as Python comes, five
    ended = weakref.ref(_Held(None))  # holds itself, and nobody else does
    kept += [_Held(None) for _ in range(COLLECTED_AFTER[0] + 1000)]
    assert ended() is None


async def test_names_that_nobody_tells_keep_no_store_and_no_judgement_waiting() -> None:
    let_many_wait()
    told = threading.Event()
    looked_up = [asyncio.to_thread(told.wait) for _ in range((os.cpu_count() or 1) + 8)]
    waiting = [asyncio.create_task(one) for one in looked_up]
    try:
        async with asyncio.timeout(10.0):
            assert await asyncio.to_thread(lambda: "kept") == "kept"
    finally:
        told.set()
        await asyncio.gather(*waiting)
