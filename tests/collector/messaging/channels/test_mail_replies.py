"""Answers by mail: a real mail server takes the message and the reply, and delivers into a Maildir that is looked into."""

from __future__ import annotations

import asyncio
import smtplib
from email.message import EmailMessage
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.handlers import Mailbox

from collector.messaging.channels.mail import mail_of
from collector.messaging.channels.mail_replies import MARK, MailReplies, answer_of
from collector.messaging.delivery.answer_links import AnswerLinks
from collector.messaging.delivery.broker_answers import BrokerAnswers
from collector.messaging.delivery.letter import Letter
from collector.messaging.delivery.recipients import letters
from collector.messaging.mqtt.heard_answers import AnswerBox, HeardAnswer
from collector.process.clock import TurnedClock
from rules.plant.topology import Topology
from tests.collector.messaging.cases import AT, everybody, notice, person
from tests.collector.messaging.delivery.test_broker_answers import Takes
from tests.collector.messaging.sinks import free_port
from tests.rules.sample_plant import estate

LINKS = AnswerLinks(b"k" * 32, None)
ZONE = ZoneInfo("Europe/London")


def letter() -> Letter:
    (message,) = letters(notice(), everybody(person()), Topology(estate()), collector="fellbeck")
    return Letter.of(message.body)


def sent() -> EmailMessage:
    return mail_of(letter(), "watch@fellbeck.example", None, LINKS.by_reply(letter()))


def reply(first: str = "20", *, quoted: str = "> ", wrap: int = 0, **headers: str) -> EmailMessage:
    """Return what somebody's program makes of a reply: a line of theirs, then the message with a sign before each line."""
    part = sent().get_body(("plain",))
    assert part is not None
    lines = str(part.get_content()).splitlines()
    if wrap:
        lines = [line[n : n + wrap] for line in lines for n in range(0, max(len(line), 1), wrap)]
    mail = EmailMessage()
    mail["From"], mail["To"] = "haugen@elsewhere.example", "watch@fellbeck.example"
    mail["Subject"] = f"Re: {sent()['Subject']}"
    for name, value in headers.items():
        mail[name.replace("_", "-")] = value
    body = [first, "", "On Friday the watch wrote:", *(f"{quoted}{line}" for line in lines)]
    mail.set_content("\n".join(body))
    return mail


def read(mail: EmailMessage) -> HeardAnswer | None:
    return answer_of("post", mail.as_bytes())


async def test_a_reply_through_a_mail_server_takes_the_incident_on_once(tmp_path: Path) -> None:
    port = free_port()
    server = Controller(Mailbox(tmp_path / "box"), hostname="127.0.0.1", port=port)
    server.start()
    try:

        def deliver() -> None:
            with smtplib.SMTP("127.0.0.1", port, timeout=20) as client:
                for first in ("20", "again"):
                    client.send_message(reply(first))

        await asyncio.to_thread(deliver)
    finally:
        server.stop()
    takes, box, clock = Takes(), AnswerBox(), TurnedClock(AT)
    replies = MailReplies("post", tmp_path / "box", box, clock)
    heard = replies.look()
    by = BrokerAnswers(box, LINKS, takes, clock, ZONE)
    answered = [await by.take(one) is not None for one in heard]
    assert sorted(answered) == [False, True], "the same token a second time"
    ((incident, who, _, whence),) = takes.taken
    assert (incident, who) == (notice().incident, person().name), (
        "whom the message was sent to, not whom the reply is from"
    )
    assert whence is not None
    assert whence.means.endswith("by a reply to mail by post")
    assert replies.look() == [], "it is marked as seen"
    assert len(list((tmp_path / "box" / "cur").iterdir())) == 2


@pytest.mark.parametrize(
    ("mail", "minutes", "note"),
    [
        (reply("20"), "20", ""),
        (reply("35 min"), "35", ""),
        (reply("On my way, ring the desk"), "", "On my way, ring the desk"),
        (reply(""), "", ""),
        (reply("20", wrap=70), "20", ""),
        (reply("20", wrap=70, quoted=">> "), "20", ""),
        (reply("20", quoted=""), "20", ""),
    ],
)
def test_what_a_reply_begins_with_is_the_minutes_or_a_word_to_the_others(
    mail: EmailMessage, minutes: str, note: str
) -> None:
    heard = read(mail)
    assert heard is not None
    assert heard.token == LINKS.by_reply(letter())
    assert (heard.minutes, heard.note) == (minutes, note)


@pytest.mark.parametrize(
    "mail",
    [
        reply("I am away until Monday", Auto_Submitted="auto-replied"),
        reply("Out of office", Precedence="bulk"),
        EmailMessage(),
    ],
)
def test_what_a_machine_sends_by_itself_answers_nothing(mail: EmailMessage) -> None:
    assert read(mail) is None


def test_a_reply_in_html_alone_answers_too() -> None:
    mail = EmailMessage()
    mail.set_content(f"<p>15</p><blockquote>{MARK}{LINKS.by_reply(letter())}]</blockquote>", subtype="html")
    heard = read(mail)
    assert heard is not None
    assert heard.token == LINKS.by_reply(letter())


@pytest.mark.parametrize(
    "data", [b"", b"\xff\xfe\x00", b"Content-Type: text/plain; charset=none\n\nhave-it:" + b"A" * 3000]
)
def test_rubbish_is_passed_over(data: bytes) -> None:
    assert answer_of("post", data) is None


def test_a_folder_that_is_not_there_is_said_once_in_the_log(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    replies = MailReplies("post", tmp_path / "none", AnswerBox(), TurnedClock(AT))
    assert [replies.look(), replies.look()] == [[], []]
    assert len(caplog.records) == 1
    assert "channel post: replies cannot be read" in caplog.text


def test_a_message_says_how_to_answer_it_only_where_replies_are_read() -> None:
    assert MARK in sent().as_string().replace("=\n", "")
    assert MARK not in mail_of(letter(), "watch@fellbeck.example").as_string()
