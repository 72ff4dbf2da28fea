"""The site's word about its sets by a broker: what is taken, what is refused, and what the broker may do meanwhile."""

from __future__ import annotations

import asyncio
import contextlib
import gc
import json
import warnings
from collections.abc import AsyncIterator, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import aiomqtt
import pytest

from collector.configuration.secrets import Login
from collector.configuration.settings_tables import SetWordsTable
from collector.messaging.mqtt.generator_status import LARGEST_BYTES, TELL_EVERY_S, SetWords
from collector.process.clock import Clock, SystemClock, TurnedClock, stamp
from collector.recorder.trackers.generator_reports import Testimony
from collector.recorder.trackers.outages import OutageTracker
from collector.service.generator_watch import SetWatch
from collector.storage.ledger import Ledger
from rules.generator.outage_source import SetWord
from rules.monitor.inputs import SetsLooked
from rules.monitor.state import Book, WatchState
from rules.monitor.step import step
from rules.phrasing.reasons import say
from tests.collector.messaging.cases import until
from tests.collector.messaging.sinks import PASSWORD, USER, Broker
from tests.rules.sample_plant import estate

NOON = datetime(2026, 10, 9, 12, 0, tzinfo=UTC)
TOPICS = "ridethrough/fellbeck"
TOPIC = f"{TOPICS}/set/set-1"
TOKEN = "let-me-tell"


class Listened(SetWords):
    """A listener whose words and refusals a test can look at."""

    words: list[tuple[str, SetWord]]
    told: list[tuple[str, str]]


def listener(clock: Clock, **settings: object) -> Listened:
    words: list[tuple[str, SetWord]] = []
    told: list[tuple[str, str]] = []

    async def take(about: str, word: SetWord) -> None:
        words.append((about, word))

    async def tell(about: str, text: str) -> None:
        told.append((about, text))

    login = Login.model_validate({"user": USER, "password": PASSWORD})
    made = Listened(
        SetWordsTable.model_validate(settings), login, clock, TOPICS, ("set-1",), lambda: TOKEN, take, tell
    )
    made.words, made.told = words, told
    return made


def raw(when: datetime, **more: object) -> bytes:
    """Return a payload that says that the generator carries, with other or further keys."""
    said = {"token": TOKEN, "at": when.isoformat(), "running": True, "carries": True, **more}
    return json.dumps(said).encode()


async def test_a_word_is_taken_with_the_time_it_was_so() -> None:
    heard = listener(TurnedClock(NOON))
    await heard.message(TOPIC, raw(NOON - timedelta(seconds=4), load_w=120_000))
    assert heard.words == [("set-1", SetWord(NOON - timedelta(seconds=4), True, True, 120_000.0))]
    assert heard.told == []


HOSTILE = {
    "nothing": b"",
    "no JSON": b"running",
    "not text": b"\xff\xfe\x00",
    "a list": b"[]",
    "nested deep": b'{"token":' + b"[" * 900 + b"]" * 900 + b"}",
    "very long": raw(NOON, token="x" * LARGEST_BYTES),
    "no token": json.dumps({"at": NOON.isoformat(), "running": True, "carries": True}).encode(),
    "a wrong token": raw(NOON, token="let-me-tel"),
    "a token that is no text": raw(NOON, token=["let-me-tell"]),
    "a token of lone surrogates": b'{"token":"\\ud800","at":"2026-10-09T12:00:00Z","running":true,"carries":true}',
    "no time": json.dumps({"token": TOKEN, "running": True, "carries": True}).encode(),
    "a time without a zone": raw(NOON, at="2026-10-09T12:00:00"),
    "a time as a number": raw(NOON, at=1_791_547_200),
    "an old time": raw(NOON - timedelta(seconds=61)),
    "a time to come": raw(NOON + timedelta(seconds=61)),
    "a year of five digits": raw(NOON, at="99999-01-01T00:00:00Z"),
    "yes for true": raw(NOON, running="yes"),
    "one for true": raw(NOON, carries=1),
    "a load that is no number": b'{"token":"let-me-tell","at":"2026-10-09T12:00:00Z","running":true,"carries":true,"load_w":NaN}',
    "a load below nothing": raw(NOON, load_w=-1.0),
    "a key too many": raw(NOON, hostile="<script>"),
    "a generator that stands and carries": raw(NOON, running=False),
}


@pytest.mark.parametrize("payload", HOSTILE.values(), ids=HOSTILE.keys())
async def test_what_is_not_the_sites_word_is_refused_in_words_that_hold_nothing_of_it(payload: bytes) -> None:
    heard = listener(TurnedClock(NOON))
    await heard.message(TOPIC, payload)
    assert heard.words == []
    ((about, text),) = heard.told
    assert about == "set-1"
    assert text.startswith("A message about set-1 by the broker was not taken: ")
    assert TOKEN not in text
    assert "script" not in text
    assert "xxx" not in text
    assert len(text) < 300


@pytest.mark.parametrize("name", ["set-2", "", "<b>", "set-1/x"])
async def test_a_set_that_the_estate_file_does_not_have_is_refused_without_its_name(name: str) -> None:
    heard = listener(TurnedClock(NOON))
    await heard.message(f"{TOPICS}/set/{name}", raw(NOON))
    assert heard.words == []
    assert heard.told == [
        ("", "A message by the broker was not taken: it is about no generator of the estate file.")
    ]


async def test_a_thousand_refusals_are_told_once_in_ten_minutes_with_their_number() -> None:
    clock = TurnedClock(NOON)
    heard = listener(clock)
    for _ in range(1000):
        await heard.message(TOPIC, b"{}")
    assert len(heard.told) == 1
    await clock.advance(TELL_EVERY_S)
    await heard.message(TOPIC, b"{}")
    assert len(heard.told) == 2
    assert "999 more like it" in heard.told[1][1]


async def test_a_word_told_twice_or_out_of_order_is_no_news_and_no_fault() -> None:
    heard = listener(TurnedClock(NOON))
    await heard.message(TOPIC, raw(NOON))
    await heard.message(TOPIC, raw(NOON))
    await heard.message(TOPIC, raw(NOON - timedelta(seconds=5), carries=False))
    assert len(heard.words) == 1
    assert heard.told == []


async def test_a_clock_a_little_ahead_does_not_make_a_word_of_the_future() -> None:
    heard = listener(TurnedClock(NOON))
    await heard.message(TOPIC, raw(NOON + timedelta(seconds=20)))
    assert heard.words[0][1].at == NOON


async def test_a_word_that_repeats_the_last_makes_no_line_of_the_journal(tmp_path: Path) -> None:
    clock = TurnedClock(NOON)
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        testimony = Testimony(OutageTracker(estate()), ledger, clock)
        lines = [
            await testimony.word("set-1", SetWord(NOON + timedelta(seconds=s), True, True)) for s in range(9)
        ]
        assert [line is None for line in lines] == [False] + [True] * 8
        await testimony.word("set-1", SetWord(NOON + timedelta(seconds=9), False, False))
        page = await ledger.events(about="set-1")
    assert [line.text for line in page.items] == [
        "The site says that set-1 stands.",
        "The site says that set-1 runs and carries the load.",
    ]


# --- with a real broker -----------------------------------------------------------------------------------


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    real = Broker(tmp_path)
    real.start()
    yield real
    real.stop()
    with warnings.catch_warnings():  # the client library leaves sockets of lost connections to the collector
        warnings.simplefilter("ignore", ResourceWarning)
        gc.collect()


def by(broker: Broker, **settings: object) -> Listened:
    return listener(
        SystemClock(),
        host="127.0.0.1",
        port=broker.port,
        authority_file=str(broker.files.certificate),
        secret="broker",
        keep_alive_s=5,
        **settings,
    )


@contextlib.asynccontextmanager
async def running(heard: SetWords) -> AsyncIterator[None]:
    task = asyncio.create_task(heard.run())
    try:
        yield
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


async def publish(broker: Broker, payload: bytes, *, retain: bool = False, topic: str = TOPIC) -> None:
    async with aiomqtt.Client(
        "127.0.0.1", broker.port, username=USER, password=PASSWORD, tls_context=broker.trusting()
    ) as site:
        await site.publish(topic, payload, qos=1, retain=retain)


@pytest.mark.real_server
async def test_the_site_publishes_and_is_heard_and_a_hostile_neighbour_changes_nothing(
    broker: Broker,
) -> None:
    heard = by(broker)
    async with running(heard):
        await until(lambda: heard.trouble is None)
        for payload in (*HOSTILE.values(), b"x" * 100_000):
            await publish(broker, payload)
        await publish(broker, raw(datetime.now(UTC)), topic=f"{TOPICS}/alarm/set-1")
        await publish(broker, raw(datetime.now(UTC)))
        await until(lambda: bool(heard.words))
    assert [(about, word.on_load) for about, word in heard.words] == [("set-1", True)]
    assert heard.told
    assert heard.trouble is None


@pytest.mark.real_server
async def test_what_a_broker_has_kept_for_long_is_no_news_and_what_it_kept_lately_is(broker: Broker) -> None:
    await publish(broker, raw(datetime.now(UTC) - timedelta(hours=3)), retain=True)
    heard = by(broker)
    async with running(heard):
        await until(lambda: heard.trouble is None)
        await publish(broker, raw(datetime.now(UTC), carries=False))
        await until(lambda: bool(heard.words))
    assert [word.on_load for _, word in heard.words] == [False]
    assert heard.told == []
    await publish(broker, raw(datetime.now(UTC)), retain=True)
    again = by(broker)
    async with running(again):
        await until(lambda: bool(again.words))
    assert [word.on_load for _, word in again.words] == [True]


@pytest.mark.real_server
async def test_after_the_broker_went_away_and_came_back_the_site_is_heard_again(broker: Broker) -> None:
    heard = by(broker)
    async with running(heard):
        await until(lambda: heard.trouble is None)
        await publish(broker, raw(datetime.now(UTC)))
        await until(lambda: len(heard.words) == 1)
        broker.stop()
        await until(lambda: heard.trouble is not None)
        broker.start()
        await until(lambda: heard.trouble is None)
        await publish(broker, raw(datetime.now(UTC), running=False, carries=False))
        await until(lambda: len(heard.words) == 2)
    assert not heard.words[1][1].running


@pytest.mark.real_server
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
async def test_a_wrong_password_is_said_and_tried_again(broker: Broker) -> None:
    heard = by(broker)
    heard.login = Login.model_validate({"user": USER, "password": "wrong"})
    async with running(heard):
        await until(lambda: heard.trouble != "not connected yet")
        assert "uthori" in str(heard.trouble)
    assert heard.words == []


async def test_a_broker_that_stays_away_is_an_alarm_and_a_set_untested_for_too_long_another() -> None:
    clock = TurnedClock(NOON)
    after = OutageTracker(estate())
    after.word("set-1", SetWord(NOON, False, False))
    heard = listener(clock, host="127.0.0.1")
    heard.trouble = "Connection refused"
    state, book = WatchState(), Book(estate())

    async def give(_given: object) -> None:
        return None

    looks = SetWatch(estate(), clock, after, heard, give)

    def standing() -> set[str]:
        return {name for name, alarm in state.alarms.items() if alarm.state.active}

    for _ in range(40):
        state, _ = step(state, SetsLooked(stamp(clock), looks.look()), book)
        await clock.advance(86_400.0)
    assert standing() == {"set_words_failing:ridethrough", "set_test_due:set-1"}
    assert "Connection refused" in say(state.alarms["set_words_failing:ridethrough"].what)
    assert "never seen. The site tells of the generator since 9 Oct 2026." in say(
        state.alarms["set_test_due:set-1"].what
    )
    heard.trouble = None
    after.word("set-1", SetWord(clock.now(), True, True))
    await clock.advance(1800.0)
    after.word("set-1", SetWord(clock.now(), False, False))
    for _ in range(3):
        state, _ = step(state, SetsLooked(stamp(clock), looks.look()), book)
        await clock.advance(60.0)
    assert standing() == set()


async def test_of_a_set_that_nothing_tells_of_no_test_is_overdue() -> None:
    clock = TurnedClock(NOON)
    after = OutageTracker(estate())

    async def give(_given: object) -> None:
        return None

    figures = SetWatch(estate(), clock, after, None, give).look()
    state, _ = step(WatchState(), SetsLooked(stamp(clock), figures), Book(estate()))
    assert state.alarms == {}
    assert "Nothing tells of its runs" in say(figures.tests["set-1"].because)
