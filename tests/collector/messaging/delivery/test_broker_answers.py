"""Answers published at a broker: what is taken, once, for whom it was sent to; and what is passed over."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from datetime import timedelta
from zoneinfo import ZoneInfo

import pytest

from collector.messaging.channels.webhook import event_of
from collector.messaging.delivery.answer_links import AnswerLinks
from collector.messaging.delivery.broker_answers import BrokerAnswers
from collector.messaging.delivery.recipients import letters
from collector.messaging.delivery.taking_on import NotTakenOn, TakenOn
from collector.messaging.mqtt.heard_answers import WAITING, AnswerBox, HeardAnswer
from collector.process.clock import TurnedClock
from collector.storage.ledger.whence import Whence, asking
from rules.plant.topology import Topology
from tests.collector.messaging.cases import AT, everybody, notice, person
from tests.rules.sample_plant import estate

LINKS = AnswerLinks(b"k" * 32, None, by_broker=True)


@dataclass
class Takes:
    """Takes on what no link was used for yet."""

    taken: list[tuple[str, str, str, Whence | None]] = field(default_factory=list)
    used: set[str | None] = field(default_factory=set)

    async def take_on(self, incident: str, *, by: str, note: str = "", link: str | None = None) -> TakenOn:
        if link in self.used:
            raise NotTakenOn("It was answered by this link already.")
        self.used.add(link)
        self.taken.append((incident, by, note, asking.get()))
        return TakenOn(incident, by, AT, note, 1)


def token() -> str:
    """Return the token that a gateway finds in a message."""
    (letter,) = letters(notice(), everybody(person()), Topology(estate()), collector="fellbeck")
    data = event_of(letter, LINKS)["data"]
    assert data["answer"] is None, "nobody has a way in"
    return str(data["answer_token"])


def answers(takes: Takes, box: AnswerBox | None = None, late: timedelta = timedelta()) -> BrokerAnswers:
    return BrokerAnswers(box or AnswerBox(), LINKS, takes, TurnedClock(AT + late), ZoneInfo("Europe/London"))


async def test_the_token_of_a_message_is_taken_once_for_whom_it_was_sent_to() -> None:
    takes, box = Takes(), AnswerBox()
    payload = json.dumps({"answer": token(), "minutes": 20, "note": "call the desk"}).encode()
    box.put("site", payload, retained=False)
    box.put("site", token().encode(), retained=False)
    by = answers(takes, box)
    assert await by.take(box.heard.get_nowait()) is not None
    assert await by.take(box.heard.get_nowait()) is None, "the same token a second time"
    ((incident, who, note, whence),) = takes.taken
    there = (AT + timedelta(minutes=20)).astimezone(ZoneInfo("Europe/London"))
    assert (incident, who) == (notice().incident, person().name)
    assert note == f"on the way, there by {there:%H:%M}: call the desk"
    assert whence is not None
    assert (whence.who, whence.address) == (person().name, "site")
    assert asking.get() is None, "what is done next is not done for them"


@pytest.mark.parametrize(
    "heard",
    [
        HeardAnswer("site", "A" * 40),
        HeardAnswer("site", ""),
        HeardAnswer("site", "TOKEN"[:-1]),
        HeardAnswer("site", "TOKEN", minutes="-5"),
        HeardAnswer("site", "TOKEN", note="two\nlines"),
    ],
)
async def test_what_is_no_answer_takes_nothing_on(heard: HeardAnswer) -> None:
    takes = Takes()
    real = token() if heard.token == "TOKEN" else token()[:-1] if heard.token == "TOKE" else heard.token
    assert await answers(takes).take(HeardAnswer("site", real, heard.minutes, heard.note)) is None
    assert takes.taken == []


async def test_a_token_is_over_after_a_day() -> None:
    takes = Takes()
    assert await answers(takes, late=timedelta(hours=25)).take(HeardAnswer("site", token())) is None
    assert takes.taken == []


def test_what_is_retained_and_what_is_no_answer_is_not_heard_and_a_flood_is_cut() -> None:
    box = AnswerBox()
    box.put("site", token().encode(), retained=True)
    for payload in (
        b"",
        b"\xff",
        b"[1]",
        b'{"answer": 5}',
        b"{" * 1000,
        b"A" * 5000,
        "text",
        b'{"answer": "x", "note": 1}',
    ):
        box.put("site", payload, retained=False)
    assert box.heard.qsize() == 1, "a word that is no token is refused by its signature: [1] is one"
    for _ in range(WAITING + 5):
        box.put("site", b"x", retained=False)
    assert box.heard.qsize() == WAITING
