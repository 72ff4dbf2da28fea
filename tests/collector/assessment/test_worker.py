"""The judging process: newest request wins, a fault stays with its request, a dead process comes back."""

import asyncio
import operator
import os
import signal
import time

import pytest

from collector.assessment.worker import JudgementFailed, Superseded, Worker


async def test_a_function_is_reckoned_in_another_process() -> None:
    async with Worker() as worker:
        assert await worker.ask("sum", operator.add, 2, 3) == 5
        assert await worker.ask("pid", os.getpid) != os.getpid()


async def test_the_process_stands_back_for_the_one_that_reads_the_cards() -> None:
    async with Worker() as worker:
        assert await worker.ask("nice", os.nice, 0) == min(os.nice(0) + 5, 19)


async def test_only_the_newest_request_of_a_key_waits() -> None:
    async with Worker() as worker:
        busy = asyncio.create_task(worker.ask("busy", time.sleep, 0.3))
        await asyncio.sleep(0.05)
        older = asyncio.create_task(worker.ask("bank", operator.add, 1, 1))
        await asyncio.sleep(0)
        newer = asyncio.create_task(worker.ask("bank", operator.add, 2, 2))
        with pytest.raises(Superseded):
            await older
        assert await newer == 4
        await busy


async def test_what_is_asked_first_goes_before_what_waits() -> None:
    async with Worker() as worker:
        await worker.ask("ready", operator.add, 0, 0)
        busy = asyncio.create_task(worker.ask("busy", time.sleep, 0.3))
        done: list[str] = []
        waiting = [asyncio.create_task(worker.ask(name, operator.add, 1, 1)) for name in ("one", "two")]
        await asyncio.sleep(0)
        waiting.append(asyncio.create_task(worker.ask_first("first", operator.add, 1, 1)))
        for name, task in zip(("one", "two", "first"), waiting, strict=True):
            task.add_done_callback(lambda _task, name=name: done.append(name))  # type: ignore[misc]
        await asyncio.gather(busy, *waiting)
        await asyncio.sleep(0)
        assert done == ["first", "one", "two"]


async def test_a_fault_stays_with_its_request() -> None:
    async with Worker() as worker:
        with pytest.raises(JudgementFailed, match="ZeroDivisionError"):
            await worker.ask("bad", operator.truediv, 1, 0)
        assert await worker.ask("good", operator.add, 1, 1) == 2


async def test_a_failure_is_trouble_until_a_request_about_the_same_succeeds() -> None:
    async with Worker() as worker:
        with pytest.raises(JudgementFailed):
            await worker.ask("plan 1", operator.truediv, 1, 0, about="plan")
        await worker.ask("bank", operator.add, 1, 1)
        assert worker.trouble is not None
        await worker.ask("plan 2", operator.truediv, 1, 1, about="plan")
        assert worker.trouble is None


async def test_a_killed_process_fails_its_request_and_is_replaced() -> None:
    async with Worker() as worker:
        pid = await worker.ask("pid", os.getpid)
        waiting = asyncio.create_task(worker.ask("long", time.sleep, 60))
        await asyncio.sleep(0.05)
        os.kill(pid, signal.SIGKILL)
        with pytest.raises(JudgementFailed, match="process ended"):
            await waiting
        assert await worker.ask("again", os.getpid) != pid


async def test_stopping_does_not_wait_for_a_long_judgement() -> None:
    started = time.monotonic()
    async with Worker() as worker:
        asking = asyncio.create_task(worker.ask("long", time.sleep, 60))
        await asyncio.sleep(0.1)
        asking.cancel()
    assert time.monotonic() - started < 30  # the 60 s were not waited for
