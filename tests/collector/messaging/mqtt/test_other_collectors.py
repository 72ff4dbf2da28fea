"""Other sites' collectors: when one is overdue, and when that cannot be told."""

from __future__ import annotations

import asyncio
import contextlib
import json
from datetime import timedelta
from pathlib import Path

import pytest

from collector.configuration.channel_tables import MqttSettings as Settings
from collector.configuration.secrets import Login
from collector.messaging.mqtt.other_collectors import FIRST_WITHIN_S, Neighbours
from collector.messaging.mqtt.publisher import MqttChannel
from collector.process.clock import SystemClock, TurnedClock
from tests.collector.messaging.cases import AT, until
from tests.collector.messaging.sinks import PASSWORD, USER, Broker


def alive(age_s: float = 0.0, *, within_s: float = 180.0, state: str = "running") -> bytes:
    at = (AT - timedelta(seconds=age_s)).isoformat()
    return json.dumps({"state": state, "at": at, "next_within_s": within_s}).encode()


@pytest.fixture
def clock() -> TurnedClock:
    return TurnedClock(AT)


@pytest.fixture
def heard(clock: TurnedClock) -> Neighbours:
    neighbours = Neighbours(("depot",), clock)
    neighbours.listening("broker", on=True)
    return neighbours


async def test_one_that_is_not_heard_again_within_its_time_is_overdue(
    heard: Neighbours, clock: TurnedClock
) -> None:
    heard.hear("depot", alive(), retained=False)
    await clock.advance(179)
    assert heard.overdue() == {"depot": False}
    await clock.advance(1)
    assert heard.overdue() == {"depot": True}
    heard.hear("depot", alive(), retained=False)
    assert heard.overdue() == {"depot": False}


async def test_one_that_never_was_heard_is_unknown_at_first(heard: Neighbours, clock: TurnedClock) -> None:
    assert heard.overdue() == {"depot": None}
    await clock.advance(FIRST_WITHIN_S)
    assert heard.overdue() == {"depot": True}


async def test_what_the_broker_kept_counts_from_its_own_time(heard: Neighbours, clock: TurnedClock) -> None:
    heard.hear("depot", alive(100), retained=True)
    await clock.advance(79)
    assert heard.overdue() == {"depot": False}
    await clock.advance(1)
    assert heard.overdue() == {"depot": True}


async def test_clocks_that_differ_do_not_matter_for_what_comes_fresh(heard: Neighbours) -> None:
    heard.hear("depot", alive(3600), retained=False)
    assert heard.overdue() == {"depot": False}


async def test_a_last_will_and_a_stop_are_heard_at_once(heard: Neighbours) -> None:
    for said in (b'{"state": "lost"}', alive(state="stopped")):
        heard.hear("depot", alive(), retained=False)
        assert heard.overdue() == {"depot": False}
        heard.hear("depot", said, retained=False)
        assert heard.overdue() == {"depot": True}


async def test_without_a_broker_nothing_can_be_told(heard: Neighbours) -> None:
    heard.hear("depot", alive(), retained=False)
    heard.listening("broker", on=False)
    assert heard.overdue() == {"depot": None}


@pytest.mark.parametrize(
    "payload",
    [b"", b"\xff", b"[]", b"{}", b"7", b'{"state": "running"}', alive(within_s=1e30), b"x" * 5000, "text"],
)
async def test_what_is_no_sign_of_life_changes_nothing(heard: Neighbours, payload: object) -> None:
    heard.hear("depot", payload, retained=False)
    heard.hear("stranger", alive(), retained=False)
    assert heard.overdue() == {"depot": None}


@pytest.mark.real_server
async def test_two_collectors_hear_each_other_by_a_real_broker(tmp_path: Path) -> None:
    broker = Broker(tmp_path)
    broker.start()
    clock = SystemClock()
    heard = Neighbours(("depot",), clock)
    settings = Settings(
        id="broker",
        kind="mqtt",
        host="127.0.0.1",
        port=broker.port,
        authority_file=str(broker.files.certificate),
        secret="broker",
    )
    login = Login.model_validate({"user": USER, "password": PASSWORD})
    here = MqttChannel(settings, login, collector="fellbeck", clock=clock, neighbours=heard)
    there = MqttChannel(settings, login, collector="depot", clock=clock)
    running = {name: asyncio.create_task(one.run()) for name, one in (("here", here), ("there", there))}
    try:
        await until(lambda: heard.overdue() == {"depot": False})
        running["there"].cancel()
        await until(lambda: heard.overdue() == {"depot": True})
        broker.stop()
        await until(lambda: heard.overdue() == {"depot": None})
    finally:
        broker.stop()
        for task in running.values():
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task
