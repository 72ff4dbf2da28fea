"""Mail: plain text and HTML, one thread for each incident, times as the person's own clock shows them."""

from __future__ import annotations

import hashlib
import html
import ssl
from email.message import EmailMessage
from email.utils import format_datetime
from typing import Final

import aiosmtplib

from collector.configuration.channel_tables import MailSettings as Settings
from collector.configuration.secrets import Login
from collector.messaging.channels.channel import ChannelDown, NeverTaken, NotNow, Trust, why
from collector.messaging.channels.mail_replies import MARK
from collector.messaging.delivery.answer_links import AnswerLinks, url_of
from collector.messaging.delivery.letter import Letter
from collector.storage.ledger.records import Outgoing
from rules.alarms.incidents.incident import NoticeKind
from rules.phrasing.text import ACT_FOR

ANSWER_WITHIN_S: Final = 30.0
ANSWER: Final = "Say that you have it"
REPLY: Final = "Or reply to say that you have it, with the minutes until you are there in the first line; leave this in the reply:"
CAUTION: Final = (
    "Battery banks stay live when isolated, and a UPS can feed back. Isolation and battery work belong to "
    "qualified people, under the site's permits and the maker's instructions; local codes decide."
)


class MailChannel:
    """One mail server. A connection is made for each message: there are few, and servers drop idle ones."""

    batch = 1

    def __init__(self, settings: Settings, login: Login | None, links: AnswerLinks | None = None) -> None:
        self._links = links
        self.id = settings.id
        self._settings = settings
        self._login = login
        self._trust = Trust(settings.authority_file)

    async def run(self) -> None:
        """Hold nothing open."""

    async def send(self, message: Outgoing) -> str:
        """Hand one message to the server and return its answer."""
        letter = Letter.of(message.body)
        token = self._links.by_reply(letter) if self._links and self._settings.replies else None
        mail = mail_of(letter, self._settings.sender, url_of(self._links, letter), token)
        settings = self._settings
        context: ssl.SSLContext | None = None if settings.encryption == "none" else self._trust.context()
        try:
            _, answer = await aiosmtplib.send(
                mail,
                hostname=settings.host,
                port=settings.port,
                username=self._login.user.reveal() if self._login else None,
                password=self._login.password.reveal() if self._login else None,
                use_tls=settings.encryption == "tls",
                start_tls=settings.encryption == "starttls",
                tls_context=context,
                timeout=ANSWER_WITHIN_S,
            )
        except aiosmtplib.SMTPRecipientsRefused as error:
            codes = [refused.code for refused in error.recipients]
            text = "; ".join(f"{r.recipient}: {r.code} {r.message}" for r in error.recipients)
            raise (NeverTaken if all(code >= 500 for code in codes) else NotNow)(text) from error
        except aiosmtplib.SMTPAuthenticationError as error:
            raise ChannelDown(f"sign-in refused: {error.code} {error.message}") from error
        except (
            aiosmtplib.SMTPConnectError,
            aiosmtplib.SMTPServerDisconnected,
            aiosmtplib.SMTPTimeoutError,
        ) as error:
            raise ChannelDown(why(error)) from error
        except aiosmtplib.SMTPResponseException as error:
            text = f"{error.code} {error.message}"
            raise (NeverTaken if error.code >= 500 else NotNow)(text) from error
        except (aiosmtplib.SMTPException, OSError) as error:
            raise ChannelDown(why(error)) from error
        return answer.strip()[:300]


def mail_of(letter: Letter, sender: str, answer: str | None = None, token: str | None = None) -> EmailMessage:
    """Return a letter as a mail. The same letter gives the same Message-ID, so that a repetition is known.

    `answer`: the link to answer it by; `token`: what a reply to it must quote.
    """
    notice = letter.notice
    domain = sender.rpartition("@")[2] or "ridethrough"
    mail = EmailMessage()
    mail["From"] = sender
    mail["To"] = letter.address or ""
    mail["Subject"] = notice.short
    mail["Date"] = format_datetime(notice.at)
    mail["Message-ID"] = _message_id(notice.id, letter.person, domain)
    root = _message_id(f"{notice.incident}.1", letter.person, domain)
    if root != mail["Message-ID"]:
        mail["In-Reply-To"] = root
        mail["References"] = root
    mail["X-Priority"] = "1" if notice.urgent else "3"
    mail["Auto-Submitted"] = "auto-generated"
    mail.set_content(plain_text(letter, answer, token), cte="quoted-printable")
    mail.add_alternative(html_text(letter, answer, token), subtype="html", cte="quoted-printable")
    return mail


def _message_id(name: str, person: str, domain: str) -> str:
    """Return a lasting Message-ID; hashed, since ids may hold characters that RFC 5322 forbids there."""
    return f"<{hashlib.sha256(f'{name}/{person}'.encode()).hexdigest()[:32]}@{domain}>"


def _facts(letter: Letter) -> list[tuple[str, str]]:
    notice = letter.notice
    facts = [("Severity", notice.severity.value), ("Since", letter.local(notice.opened_at or notice.at))]
    if notice.by_when is not None and notice.kind is not NoticeKind.CLOSED:
        moment = letter.local(notice.by_when) + ACT_FOR.get(notice.by_when_for, "")
        past = notice.by_when <= notice.at
        facts.append(("Act", f"now; past is {moment}") if past else ("Act before", moment))
    if letter.call:
        facts.append(("Call", "; ".join(letter.call)))
    if notice.counted > 1:
        facts.append(("Conditions counted", str(notice.counted)))
    facts.append(("Incident", notice.incident))
    return facts


def plain_text(letter: Letter, answer: str | None = None, token: str | None = None) -> str:
    """Return the mail's plain text: what, what to do, by when, where to answer, then the details."""
    notice = letter.notice
    parts = [notice.what, ""]
    if notice.do:
        parts += [f"Do: {notice.do}", ""]
    if answer:
        parts += [f"{ANSWER}: {answer}", ""]
    parts += [f"- {line}" for line in notice.lines]
    parts += [""] if notice.lines else []
    parts += [f"{name}: {value}" for name, value in _facts(letter)]
    if token:
        parts += ["", f"{REPLY} {MARK}{token}]"]
    parts += ["", f"Times are {letter.time_zone}.", "", CAUTION, ""]
    return "\n".join(parts)


def html_text(letter: Letter, answer: str | None = None, token: str | None = None) -> str:
    """Return the same as HTML; everything in it is escaped, since parts of it come from cards."""
    notice = letter.notice
    say = html.escape
    rows = "".join(
        f"<tr><td style='padding-right:1em'>{say(name)}</td><td>{say(value)}</td></tr>"
        for name, value in _facts(letter)
    )
    lines = "".join(f"<li>{say(line)}</li>" for line in notice.lines)
    action = f"<p><strong>Do:</strong> {say(notice.do)}</p>" if notice.do else ""
    link = f"<p><a href='{say(answer)}'>{ANSWER}</a></p>" if answer else ""
    reply = f"<p><small>{say(REPLY)} {MARK}{say(token)}]</small></p>" if token else ""
    return (
        "<!doctype html><html><body style='font-family:Georgia,serif;max-width:40em'>"
        f"<p style='font-size:1.2em'>{say(notice.what)}</p>{action}{link}"
        f"{f'<ul>{lines}</ul>' if lines else ''}<table>{rows}</table>{reply}"
        f"<p>Times are {say(letter.time_zone)}.</p><p><small>{say(CAUTION)}</small></p></body></html>"
    )
