"""Mail, to a real SMTP server with encryption and sign-in."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from collector.configuration.channel_tables import MailSettings as Settings
from collector.configuration.secrets import Login
from collector.messaging.channels.channel import ChannelDown, NeverTaken
from collector.messaging.channels.mail import MailChannel, mail_of
from collector.messaging.delivery.letter import Letter
from collector.messaging.delivery.recipients import letters
from collector.storage.ledger.records import Outgoing
from rules.alarms.incidents.incident import NoticeKind
from rules.plant.topology import Topology
from tests.collector.messaging.cases import everybody, notice, person
from tests.collector.messaging.sinks import PASSWORD, USER, MailSink
from tests.rules.sample_plant import estate

# the test's mail server ends its loop with connections open, and uses what it calls deprecated itself
pytestmark = [
    pytest.mark.filterwarnings("ignore:.*login_data.*:DeprecationWarning"),
    pytest.mark.filterwarnings("ignore:unclosed:ResourceWarning"),
    pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning"),
]


def message(
    number: int = 1, kind: NoticeKind = NoticeKind.OPENED, address: str = "haugen@fellbeck.example"
) -> Outgoing:
    who = person(reach=[{"channel": "post", "address": address}])
    one = notice(number=number, kind=kind)
    return letters(one, everybody(who), Topology(estate()), collector="fellbeck")[0]


@pytest.fixture
def sink(tmp_path: Path) -> Iterator[MailSink]:
    server = MailSink(tmp_path, refuse=("nobody@fellbeck.example",))
    server.start()
    yield server
    server.stop()


def channel(sink: MailSink, password: str = PASSWORD) -> MailChannel:
    settings = Settings(
        id="post",
        kind="mail",
        host="127.0.0.1",
        port=sink.port,
        authority_file=str(sink.files.certificate),
        secret="post",
        sender="watch@fellbeck.example",
    )
    return MailChannel(settings, Login.model_validate({"user": USER, "password": password}))


async def test_a_mail_has_a_plain_and_an_html_form_and_says_what_to_do(sink: MailSink) -> None:
    assert "taken as 1" in await channel(sink).send(message())
    mail = sink.mails[0]
    assert mail["To"] == "haugen@fellbeck.example"
    assert mail["Subject"] == "Treatment works: mains lost, 1"
    plain, html = mail.get_body(("plain",)), mail.get_body(("html",))
    assert plain is not None
    assert html is not None
    text = plain.get_content()
    assert "Do: See that set-1 runs and carries." in text
    assert "Act before: 01:29:20" in text, "by the clock on the wall in London"
    assert "Battery banks stay live" in text
    assert "Say &lt;b&gt;nothing&lt;/b&gt;." in html.get_content(), "escaped"


def test_a_moment_that_is_past_when_it_is_told_is_said_as_past() -> None:
    letter = Letter.of(message().body)
    late = replace(letter, notice=replace(letter.notice, by_when=letter.notice.at))
    plain = mail_of(late, "watch@hill.example").get_body(("plain",))
    assert plain is not None
    assert "Act: now; past is " in plain.get_content()
    assert "Act before" not in plain.get_content()


async def test_the_mails_of_one_incident_are_one_thread(sink: MailSink) -> None:
    post = channel(sink)
    await post.send(message(1))
    await post.send(message(2, NoticeKind.CLOSED))
    opening, closing = sink.mails
    assert closing["References"] == closing["In-Reply-To"] == opening["Message-ID"]
    assert "References" not in opening
    assert closing["Subject"] == message(2, NoticeKind.CLOSED).body["notice"]["short"], (
        "as a gateway sends it"
    )


def test_a_mail_says_where_to_answer_it_in_both_forms() -> None:
    link = "https://ups.example.org/answer/abc.def"
    mail = mail_of(Letter.of(message().body), "watch@hill.example", link)
    forms = [part.get_content() for part in mail.walk() if not part.is_multipart()]
    assert len(forms) == 2
    assert all(link in form for form in forms)
    assert "answer" not in mail_of(Letter.of(message().body), "watch@hill.example").as_string()


def test_a_repeated_mail_has_the_same_message_id() -> None:
    first, second = (mail_of(Letter.of(message().body), "watch@fellbeck.example") for _ in range(2))
    assert first["Message-ID"] == second["Message-ID"]


async def test_an_address_that_does_not_exist_is_refused_for_good(sink: MailSink) -> None:
    with pytest.raises(NeverTaken, match="no such mailbox"):
        await channel(sink).send(message(address="nobody@fellbeck.example"))


async def test_a_wrong_password_a_wrong_authority_and_no_server_are_a_channel_that_is_down(
    sink: MailSink, tmp_path: Path
) -> None:
    with pytest.raises(ChannelDown, match="sign-in refused"):
        await channel(sink, password="wrong").send(message())
    other = tmp_path / "other"
    other.mkdir()
    stranger = MailSink(other)
    stranger.port = sink.port
    with pytest.raises(ChannelDown):
        await channel(stranger).send(message())
    sink.stop()
    with pytest.raises(ChannelDown):
        await channel(sink).send(message())


async def test_a_hostile_line_break_cannot_add_a_header(sink: MailSink) -> None:
    from dataclasses import replace

    letter = Letter.of(message().body)
    evil = replace(letter, notice=replace(letter.notice, what="x\r\nBcc: all@fellbeck.example\r\n\r\nhello"))
    await channel(sink).send(replace(message(), body=evil.body()))
    assert "Bcc" not in sink.mails[0]
