"""Links by which a person answers a message from where they are: signed, for one incident and one person, and soon over.

A link says nothing that is not in it: incident, person, notice and until when it holds, with an HMAC-SHA256 over them
(RFC 2104, cut to 128 bit) under a key that only this service has. Nothing has to be kept for a link that nobody follows;
what was answered by one is kept, so that it answers once. It is made where the message goes out and stands in no store.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import json
import logging
import os
import secrets
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

from collector.messaging.delivery.letter import Letter
from rules.alarms.incidents.incident import NoticeKind

_log: Final = logging.getLogger(__name__)
KEY_FILE: Final = "answer-key"
KEY_BYTES: Final = 32
TAG_BYTES: Final = 16
HOLDS: Final = timedelta(hours=24)
LONGEST: Final = 800
"""Characters of a token; ids and names are far shorter."""
PATH: Final = "/answer/"


class NoAnswerLinkError(ValueError):
    """Not a link of ours, or not any more."""


@dataclass(frozen=True, slots=True)
class AnswerLink:
    """What a link is for. `id` names it in the journal, and gives nothing away of how it is made."""

    incident: str
    person: str
    notice: str
    until: datetime
    id: str


class AnswerLinks:
    """Makes links and reads them. `at`: the address under which people reach the service, None where none is named.

    `by_broker`: whether a broker takes their tokens as well.
    """

    def __init__(self, key: bytes, at: str | None, *, by_broker: bool = False) -> None:
        self._key = key
        self._by_broker = by_broker
        self._at = None if at is None else at.rstrip("/")

    def url(self, letter: Letter) -> str | None:
        """Return the link to answer a letter by; None where there is nothing to answer, or no address to do it at."""
        return None if self._at is None or not _answerable(letter) else f"{self._at}{PATH}{self._of(letter)}"

    def by_broker(self, letter: Letter) -> str | None:
        """Return the token to answer a letter with at a broker; None where no broker takes answers, or there is none to give."""
        return self._of(letter) if self._by_broker and _answerable(letter) else None

    def by_reply(self, letter: Letter) -> str | None:
        """Return the token to answer a letter with by a reply to it; None where there is nothing to answer."""
        return self._of(letter) if _answerable(letter) else None

    def _of(self, letter: Letter) -> str:
        notice = letter.notice
        return self.token(notice.incident, letter.person, notice.id, notice.at + HOLDS)

    def token(self, incident: str, person: str, notice: str, until: datetime) -> str:
        """Return the token of a link."""
        said = [incident, person, notice, int(until.timestamp())]
        body = json.dumps(said, separators=(",", ":")).encode()
        return f"{_text(body)}.{_text(self._tag(body))}"

    def read(self, token: str, now: datetime) -> AnswerLink:
        """Return what a token is for. Raises NoAnswerLinkError with what may be said of it."""
        body, tag = self._parts(token)
        if not hmac.compare_digest(tag, self._tag(body)):
            raise NoAnswerLinkError("This is not a link that was sent from here.")
        incident, person, notice, until = json.loads(body)
        over = datetime.fromtimestamp(until, UTC)
        if now >= over:
            raise NoAnswerLinkError(
                "This link is over: it held for a day. Sign in to answer, or ask whoever is on call."
            )
        return AnswerLink(incident, person, notice, over, hashlib.sha256(token.encode()).hexdigest()[:16])

    def _tag(self, body: bytes) -> bytes:
        return hmac.new(self._key, b"answer/1\n" + body, hashlib.sha256).digest()[:TAG_BYTES]

    @staticmethod
    def _parts(token: str) -> tuple[bytes, bytes]:
        wrong = NoAnswerLinkError("This is not a link that was sent from here.")
        if len(token) > LONGEST or not token.isascii():
            raise wrong
        body, dot, tag = token.partition(".")
        try:
            found = _bytes(body), _bytes(tag)
        except (binascii.Error, ValueError):
            raise wrong from None
        # one way to write each token: another spelling of the same bytes would answer a second time
        if not dot or token != f"{_text(found[0])}.{_text(found[1])}":
            raise wrong
        return found


def _answerable(letter: Letter) -> bool:
    return letter.notice.kind is not NoticeKind.CLOSED and bool(letter.notice.alarms)


def url_of(links: AnswerLinks | None, letter: Letter) -> str | None:
    """Return the link to answer a letter by, None where there are none."""
    return None if links is None else links.url(letter)


def _text(data: bytes) -> str:
    return base64.urlsafe_b64encode(data).decode().rstrip("=")


def _bytes(text: str) -> bytes:
    return base64.urlsafe_b64decode(text + "=" * (-len(text) % 4))


def answer_key(folder: Path) -> bytes:
    """Return the key of a data folder's links, made where there is none: readable by the service's user alone.

    Without it, as after a restore, links that were sent before are not known any more. Where it cannot be kept (a full
    disk must not hold up a start) there is one all the same, and links that are sent now hold until the next start.
    """
    path, key = folder / KEY_FILE, secrets.token_bytes(KEY_BYTES)
    try:
        known = path.read_bytes() if path.exists() else b""
        if len(known) == KEY_BYTES:
            return known
        _keep(path, key)
    except OSError as error:
        _log.warning("%s cannot be kept: %s; links to answer messages hold until the next start", path, error)
    return key


def _keep(path: Path, key: bytes) -> None:
    fresh = path.with_suffix(".new")
    fresh.unlink(missing_ok=True)
    descriptor = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "wb") as out:
        out.write(key)
        out.flush()
        os.fsync(out.fileno())
    fresh.replace(path)
