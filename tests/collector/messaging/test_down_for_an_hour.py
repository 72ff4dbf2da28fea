"""A broker, a mail server or a web address that is down for an hour, while things go on happening.

Real servers, real sockets, and a clock that the test turns: the hour passes for the watch and the outbox.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import AsyncIterator, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, cast

import aiomqtt
import pytest

from collector.cards.corrections.learning import Learning
from collector.configuration import load
from collector.messaging.channels.webhook import event_id
from collector.messaging.delivery.office import PostOffice
from collector.messaging.delivery.outbox import LONGEST_WAIT_S
from collector.planning.test_dates import PlannedSources
from collector.process.clock import TurnedClock, stamp
from collector.recorder.current_state import Present
from collector.recorder.parts import RecorderParts
from collector.recorder.recorder import Recorder
from collector.service.self_monitoring import SelfWatch
from collector.storage.history.store import HistoryStore
from collector.storage.ledger import Ledger, Transaction
from rules.alarms.incidents.incident import IncidentChange, Notice
from rules.alarms.lifecycle.alarm import Happened
from rules.monitor.outputs import Change
from rules.monitor.state import Book
from rules.plant.reading import OutputSource, Reading
from tests.collector.messaging.sinks import PASSWORD, USER, Broker, MailSink, WebSink, verified
from tests.collector.messaging.site import TOKEN, Site
from tests.collector.scripted import Forgetful
from tests.rules.sample_plant import START, on_bank, reading

pytestmark = [
    pytest.mark.real_server,
    pytest.mark.slow,
    # the test's mail server ends its loop with connections open, and uses what it calls deprecated itself
    pytest.mark.filterwarnings("ignore:.*login_data.*:DeprecationWarning"),
    pytest.mark.filterwarnings("ignore:unclosed:ResourceWarning"),
    pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning"),
]

UNITS = ("A1", "A2", "B1", "B2")
STEP_S = 10.0
HOUR_S = 3600.0
CHANNELS = """
[delivery]
most_messages = 1000
[[channel]]
id = "broker"
kind = "mqtt"
host = "127.0.0.1"
port = {broker.port}
secret = "broker"
authority_file = "{broker.files.certificate}"
[[channel]]
id = "post"
kind = "mail"
host = "127.0.0.1"
port = {post.port}
secret = "broker"
authority_file = "{post.files.certificate}"
sender = "watch@hill.example"
[[channel]]
id = "desk"
kind = "webhook"
url = "{desk.url}"
secret = "desk"
[[person]]
name = "R. Haugen"
reach = [{{ channel = "post", address = "haugen@hill.example" }}]
tell = [{{ severity = "warning" }}]
[[person]]
name = "Desk"
reach = [{{ channel = "desk" }}]
tell = [{{ severity = "warning" }}]
"""


@dataclass
class Servers:
    """The three at the other end, and what a subscriber of the broker got: (topic, message id, payload)."""

    broker: Broker
    post: MailSink
    desk: WebSink
    published: list[tuple[str, str, bytes]] = field(default_factory=list)
    _subscriber: asyncio.Task[None] | None = None

    async def start(self, name: str) -> None:
        if name == "desk":
            await self.desk.start()
        elif name == "post":
            self.post.start()
        else:
            self.broker.start()
            ready = asyncio.Event()
            self._subscriber = asyncio.create_task(self._listen(ready))
            await asyncio.wait_for(ready.wait(), 10)

    async def stop(self, name: str) -> None:
        if name == "desk":
            await self.desk.stop()
        elif name == "post":
            await asyncio.to_thread(self.post.stop)
        else:
            self.broker.stop()
            if self._subscriber is not None:
                self._subscriber.cancel()
                await asyncio.wait([self._subscriber])

    async def _listen(self, ready: asyncio.Event) -> None:
        with contextlib.suppress(aiomqtt.MqttError):
            async with aiomqtt.Client(
                "127.0.0.1",
                self.broker.port,
                username=USER,
                password=PASSWORD,
                tls_context=self.broker.trusting(),
                protocol=aiomqtt.ProtocolVersion.V5,
            ) as client:
                await client.subscribe([("+/+/alarm/#", 1), ("+/+/incident/#", 1)])
                ready.set()
                async for one in client.messages:
                    named = dict(getattr(one.properties, "UserProperty", []))
                    self.published.append((str(one.topic), named["message_id"], one.payload))


@pytest.fixture
def servers(tmp_path: Path) -> Iterator[Servers]:
    for name in ("broker", "post"):
        (tmp_path / name).mkdir()
    found = Servers(Broker(tmp_path / "broker"), MailSink(tmp_path / "post"), WebSink())
    yield found
    found.broker.stop()
    found.post.stop()


def standing(unit: str, seconds: float) -> Reading:
    """Return what a unit says at a moment of this hour and a half, which has no quiet five minutes."""
    system, number = unit[0], int(unit[1])
    n = UNITS.index(unit)
    if 600 <= seconds < 840 or 2400 <= seconds < 2460 or 4500 <= seconds < 4560:
        return on_bank(unit, 0.0)
    fan = (seconds + 900 * n) % 1500 < 300
    bypass = system == "B" and number == 1 and 1500 <= seconds < 1900
    hot = 45.0 if system == "A" and 3000 <= seconds < 4100 else 24.0
    return reading(
        unit,
        0.0,
        source=OutputSource.BYPASS if bypass else OutputSource.NORMAL,
        alarms=("upsAlarmFanFailure",) if fan else (),
        temperature_c=hot,
    )


@dataclass
class Telling:
    """A recorder, a post office and a look at the service itself, on a clock that the test turns."""

    clock: TurnedClock
    ledger: Ledger
    office: PostOffice
    recorder: Recorder
    changes: list[Change]

    async def pass_time(self, seconds: float) -> None:
        """Let time pass, each unit saying every few seconds what it is like."""
        for step in range(round(seconds / STEP_S)):
            now = stamp(self.clock)
            for unit in UNITS:
                await self.recorder.queue.put(replace(standing(unit, now.monotonic_s), stamp=now))
            await self.clock.advance(STEP_S)
            # what happens now is over sockets and threads, for which no clock is turned
            await asyncio.sleep(0.01)
            self.office.wake()
            if step % 6 == 5:
                await self.sent()

    async def sent(self) -> None:
        """Wait, in real time, until what was said is recorded and what is due is sent: sockets know no turned clock.

        A channel that is down has its wait before it, and is not waited for.
        """
        async with asyncio.timeout(60):
            while self.recorder.queue.under_way or await self._due():
                self.office.wake()
                await asyncio.sleep(0.01)

    async def _due(self) -> bool:
        for name, health in self.office.outbox.health.items():
            if health.resume_s <= self.clock.monotonic_s() and await self.ledger.due(
                self.clock.now(), channel=name, limit=1
            ):
                return True
        return False

    @property
    def notices(self) -> list[Notice]:
        return [c.notice for c in self.changes if isinstance(c, IncidentChange) and c.notice is not None]


@contextlib.asynccontextmanager
async def telling(folder: Path, servers: Servers) -> AsyncIterator[Telling]:
    site = Site(UNITS)
    site.ports = dict(
        zip(UNITS, range(9, 13), strict=True)
    )  # nobody is asked: the test says what each unit is like
    channels = CHANNELS.format(broker=servers.broker, post=servers.post, desk=servers.desk)
    configuration = load(site.write_estate(folder, channels))
    clock = TurnedClock(START)
    changes: list[Change] = []
    async with Ledger(folder / "ledger.sqlite") as ledger:
        office = PostOffice.of(configuration, ledger, clock)

        def enqueue(tx: Transaction, news: Sequence[Change]) -> None:
            changes.extend(news)
            office.enqueue(tx, news)

        estate = configuration.estate
        history = cast("HistoryStore", Forgetful())
        present = Present(estate)
        parts = RecorderParts(estate, clock, present, Learning(estate))
        recorder = Recorder(Book(estate), clock, history, ledger, present, parts, enqueue=enqueue)
        sources = PlannedSources(folder, "Europe/London")
        watch = SelfWatch(folder, clock, office, recorder.punctuality, recorder.queue.put, sources)
        running = [
            asyncio.create_task(work) for work in (recorder.run(), recorder.tick(), office.run(), watch.run())
        ]
        try:
            yield Telling(clock, ledger, office, recorder, changes)
        finally:
            for task in running:
                task.cancel()
            for ended in await asyncio.gather(*running, return_exceptions=True):
                assert isinstance(ended, asyncio.CancelledError), ended


@pytest.mark.parametrize("down", ["broker", "post", "desk"])
async def test_everything_is_told_after_an_hour_without_it_and_another_channel_says_so(
    tmp_path: Path, servers: Servers, down: str
) -> None:
    for name in ("broker", "post", "desk"):
        await servers.start(name)
    async with telling(tmp_path, servers) as it:
        await it.pass_time(600)
        await servers.stop(down)
        got = arrived(servers, down)
        known = len(it.changes)
        await it.pass_time(HOUR_S)
        meanwhile = [c for c in it.changes[known:] if isinstance(c, Happened)]
        assert len(meanwhile) > 30, "an hour in which a lot happened"
        assert arrived(servers, down) == got, "nothing goes to a server that is down"
        other = "post" if down == "desk" else "desk"
        assert any(f"Channel {down} fails" in what for what in said(servers, other)), "told by another way"
        await servers.start(down)
        servers.desk.lost_answers = 2 if down == "desk" else 0
        for _ in range(4 * round(LONGEST_WAIT_S / 60)):  # two answers lost are two waits more
            await it.pass_time(60)
            over = any(text.startswith("Over after") and down in text for text in said(servers, other))
            if over and not (await it.ledger.waiting())[0]:
                break
        else:
            raise AssertionError("nothing waits any more, and the end of the failure is told")
    for name in ("post", "desk", "broker"):
        await servers.stop(name)
    if down == "desk":
        came = [event["data"] for event in servers.desk.events()]
        assert len(late_of(came)) == 3, "two answers were lost: sent until it was acknowledged"
    check_people(servers, it.notices, down)
    check_broker(servers, it.changes)


def arrived(servers: Servers, name: str) -> int:
    counts = {
        "broker": len(servers.published),
        "post": len(servers.post.mails),
        "desk": len(servers.desk.requests),
    }
    return counts[name]


def said(servers: Servers, name: str) -> list[str]:
    """Return the first sentence of each message that came by mail or to the web address."""
    if name == "desk":
        return [str(event["data"]["what"]) for event in servers.desk.events()]
    return [first_line(mail) for mail in servers.post.mails]


def lines_of(mail: Any) -> list[str]:
    text: str = mail.get_body(("plain",)).get_content()
    return text.splitlines()


def first_line(mail: Any) -> str:
    return lines_of(mail)[0]


def check_people(servers: Servers, notices: list[Notice], down: str) -> None:
    """Each person got every notice, in order for each incident, and nothing else; repetitions have one id.

    By the way that was down they got of each incident what was so when it worked again.
    """
    wanted = in_order((n.incident, n.id, n.what) for n in notices)
    for headers, body in servers.desk.requests:
        assert verified(headers, body, TOKEN)
        assert json.loads(body)["id"] == headers["webhook-id"]
    if down == "desk":
        check_late([event["data"] for event in servers.desk.events()], notices)
    else:
        events = in_order((e["subject"], e["id"], e["data"]["what"]) for e in servers.desk.events())
        ids = {n.id: event_id(f"{n.id}/Desk/desk") for n in notices}
        assert events == {
            incident: [(ids[name], what) for name, what in told] for incident, told in wanted.items()
        }
    if down == "post":
        mails = [lines_of(m) for m in servers.post.mails]
        check_late(
            [{"what": m[0], "details": [line[2:] for line in m if line[:2] == "- "]} for m in mails], notices
        )
    else:
        told = in_order((incident_of(m), str(m["Message-ID"]), first_line(m)) for m in servers.post.mails)
        assert {i: [what for _, what in mails] for i, mails in told.items()} == {
            i: [what for _, what in news] for i, news in wanted.items()
        }


def late_of(came: list[dict[str, Any]]) -> list[int]:
    """Return the places of what was told late among what came."""
    return [n for n, one in enumerate(came) if " told up to " in one["what"] and " late, " in one["what"]]


def check_late(came: list[dict[str, Any]], notices: list[Notice]) -> None:
    """One message, sent until acknowledged, says of all that went on how it ended, and nothing is told as if it began."""
    late = late_of(came)
    before, after = came[: late[0]], came[late[-1] + 1 :]
    whole = {n.what for n in notices}
    assert {one["what"] for one in (*before, *after)} <= whole, "what was not late is told as ever"
    lines = came[late[-1]]["details"]
    assert lines == sorted(lines, key=lambda line: line.startswith("Over, ")), "what is not over comes first"
    newest = {n.incident: n for n in notices}
    by_itself = {one["what"] for one in (*before, *after)}
    for notice in newest.values():
        assert notice.what in by_itself or any(
            notice.short in line or notice.what in line for line in lines
        ), notice.what


def incident_of(mail: Any) -> str:
    lines: list[str] = mail.get_body(("plain",)).get_content().splitlines()
    return next(line.removeprefix("Incident: ") for line in lines if line.startswith("Incident: "))


def in_order(messages: Any) -> dict[str, list[tuple[str, str]]]:
    """Return what was said of each incident in the order of first arrival; a repeated id must say the same."""
    found: dict[str, list[tuple[str, str]]] = {}
    for incident, message, what in messages:
        told = found.setdefault(incident, [])
        if message in {known for known, _ in told}:
            assert (message, what) in told, "a repetition says the same"
        else:
            told.append((message, what))
    return found


def check_broker(servers: Servers, changes: list[Change]) -> None:
    """A subscriber got every change of every alarm and every notice, in order, and nothing else."""
    wanted: dict[str, list[str]] = {}
    for change in changes:
        if isinstance(change, Happened):
            at = change.at.isoformat(timespec="microseconds")
            topic = f"ridethrough/hill/alarm/{change.alarm.id}"
            wanted.setdefault(topic, []).append(f"{change.alarm.id}@{at}/{change.event.value}/broker")
        elif isinstance(change, IncidentChange) and change.notice is not None:
            topic = f"ridethrough/hill/incident/{change.notice.incident}"
            wanted.setdefault(topic, []).append(f"{change.notice.id}/broker")
    found: dict[str, list[str]] = {}
    payloads: dict[str, bytes] = {}
    for topic, message, payload in servers.published:
        assert payloads.setdefault(message, payload) == payload, "a repetition says the same"
        told = found.setdefault(topic, [])
        if message not in told:
            told.append(message)
    assert found == wanted
