"""A task that is asked to end ends, though a library on its way loses the asking."""

from __future__ import annotations

import asyncio
import logging
import signal
from collections.abc import Awaitable
from pathlib import Path
from time import monotonic

import pytest

from collector.configuration.channel_tables import MqttSettings as Settings
from collector.configuration.secrets import Login
from collector.messaging.mqtt.broker import BrokerClient
from collector.messaging.mqtt.publisher import MqttChannel
from collector.process.clock import SystemClock
from collector.process.task_cancellation import TOLD_S, ended, heeded, step_of_stop, to_its_end
from tests.collector.messaging.sinks import PASSWORD, USER, Broker


async def deaf(given: Awaitable[str]) -> str:
    """Give a result that came in the same turn as a cancellation, as `asyncio.wait_for` of Python 3.11 does."""
    waiting = asyncio.ensure_future(given)
    while not waiting.done():
        try:
            await asyncio.wait({waiting})
        except asyncio.CancelledError:
            await asyncio.sleep(0)
    return waiting.result()


async def soon(error: Exception | None = None) -> str:
    await asyncio.sleep(0.01)
    if error is not None:
        raise error
    return "done"


async def asked(work: Awaitable[str]) -> asyncio.Task[str]:
    """Return a task of some work that was asked to end, once it has ended."""
    task = asyncio.ensure_future(work)
    await asyncio.sleep(0)
    task.cancel()
    await asyncio.wait({task})
    assert isinstance(task, asyncio.Task)
    return task


@pytest.mark.parametrize("error", [None, OSError("connection lost")], ids=["a_result", "an_error"])
async def test_a_cancellation_that_was_lost_is_heeded_afterwards(error: Exception | None) -> None:
    assert not (await asked(deaf(soon(error)))).cancelled()
    assert (await asked(heeded(deaf(soon(error))))).cancelled()


async def test_nobody_asked_to_end_gets_what_there_is() -> None:
    assert await heeded(soon()) == "done"
    with pytest.raises(OSError, match="lost"):
        await heeded(soon(OSError("lost")))


async def test_a_time_limit_within_is_no_asking_to_end() -> None:
    async def limited() -> str:
        try:
            async with asyncio.timeout(0.01):
                await asyncio.sleep(1)
        except TimeoutError:
            return "late"
        return "in time"

    assert await heeded(limited()) == "late"


async def test_what_must_be_whole_is_let_run_however_often_one_asks() -> None:
    under_way = asyncio.ensure_future(asyncio.sleep(0.1, "whole"))

    async def waits() -> str:
        return await to_its_end(under_way)

    task = asyncio.ensure_future(waits())
    for _ in range(5):
        await asyncio.sleep(0.01)
        task.cancel()
    await asyncio.wait({task})
    assert task.cancelled()
    assert under_way.result() == "whole"


async def test_members_of_a_group_that_lose_the_asking_are_asked_again() -> None:
    times = 0

    async def loses_the_first_two() -> None:
        nonlocal times
        while True:
            try:
                await asyncio.sleep(60)
            except asyncio.CancelledError:
                times += 1
                if times > 2:
                    raise

    async def group() -> None:
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(loses_the_first_two())

    task = asyncio.ensure_future(group())
    await asyncio.sleep(0.01)
    async with asyncio.timeout(5):
        await ended([task], ask_again_s=0.02)
    assert times == 3


async def test_what_of_a_stop_takes_long_is_told_by_name(
    caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def slow() -> None:
        try:
            await asyncio.sleep(60)
        finally:
            await asyncio.sleep(0.1)

    monkeypatch.setattr("collector.process.task_cancellation.TOLD_S", TOLD_S / 20)
    with caplog.at_level(logging.WARNING):
        tasks = [asyncio.create_task(slow(), name="channel site"), asyncio.create_task(asyncio.sleep(60))]
        await asyncio.sleep(0)
        await ended(tasks, ask_again_s=0.06)
        with step_of_stop("closing the ledger"):
            await asyncio.sleep(0.06)
        with step_of_stop("closing the history"):
            pass
    waits, took = caplog.messages
    assert waits.startswith("stopping: still waits for channel site after 0.")
    assert took.startswith("stopping: closing the ledger took 0.")


def test_the_library_has_the_one_place_where_the_client_heeds() -> None:
    assert BrokerClient.__mro__[1].__dict__.keys() >= {"_wait_for"}


def channel_of(broker: Broker) -> MqttChannel:
    settings = Settings.model_validate(
        {
            "id": "site", "kind": "mqtt", "host": "127.0.0.1", "port": broker.port,
            "authority_file": str(broker.files.certificate), "secret": "broker",
        }
    )  # fmt: skip
    login = Login.model_validate({"user": USER, "password": PASSWORD})
    return MqttChannel(settings, login, collector="yard", clock=SystemClock(), heartbeat_s=0.001)


@pytest.mark.real_server
async def test_a_broker_that_is_frozen_is_left_within_a_second_or_so(tmp_path: Path) -> None:
    """It acknowledges neither what is said at parting, nor what is being sent, nor that one leaves."""
    broker = Broker(tmp_path)
    broker.start()
    process = broker._process
    assert process is not None
    channel = channel_of(broker)
    running = asyncio.ensure_future(channel.run())
    try:
        while channel._client is None:  # noqa: ASYNC110
            await asyncio.sleep(0.005)
        process.send_signal(signal.SIGSTOP)
        channel.set_state("unit", "A1", {"n": 1}, expiry_s=60)
        await asyncio.sleep(0.05)
        began_s = monotonic()
        await ended([running])
        took_s = monotonic() - began_s
    finally:
        process.send_signal(signal.SIGCONT)
        broker.stop()
    assert running.cancelled()
    assert took_s < 2.0


@pytest.mark.real_server
async def test_a_broker_is_left_at_once_however_busy_the_line(tmp_path: Path) -> None:
    broker = Broker(tmp_path)
    broker.start()
    loop, longest_s = asyncio.get_running_loop(), 0.0
    try:
        for number in range(25):
            channel = channel_of(broker)
            running = asyncio.ensure_future(channel.run())
            while channel._client is None:  # noqa: ASYNC110
                await asyncio.sleep(0.005)
            until_s = loop.time() + 0.02 + number * 0.0013
            while loop.time() < until_s:
                for unit in range(20):
                    channel.set_state("unit", f"A{unit}", {"n": number}, expiry_s=60)
                await asyncio.sleep(0)
            began_s = loop.time()
            running.cancel()
            await asyncio.wait({running}, timeout=5)
            longest_s = max(longest_s, loop.time() - began_s)
            assert running.cancelled(), f"asked {number + 1} times, and still {running}"
    finally:
        broker.stop()
    assert longest_s < 2.0
