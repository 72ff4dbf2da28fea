"""Answers by mail, for a site into which nobody has a way: whoever replies to a message has its incident.

The site's mail server delivers what comes for the sender's address into a Maildir on this machine (`replies` of the channel).
A message carries the token behind its link, and a reply that quotes it gives it back; whom a reply says that it is from
counts for nothing, since anybody can write that. What the reply begins with goes to the others: a number alone is the minutes
until its writer is there. What a machine sends by itself, as that somebody is on holiday (RFC 3834), answers nothing.
"""

from __future__ import annotations

import asyncio
import logging
import re
from email import policy
from email.message import EmailMessage
from email.parser import BytesParser
from pathlib import Path
from typing import Final

from collector.messaging.delivery.answer_links import LONGEST
from collector.messaging.mqtt.heard_answers import AnswerBox, HeardAnswer
from collector.process.clock import Clock

log: Final = logging.getLogger(__name__)

LOOK_EVERY_S: Final = 5.0
MARK: Final = "[have-it:"
"""What stands in front of the token in a message; behind it stands "]", since programs break long words."""
LARGEST_BYTES: Final = 262_144
MOST_AT_ONCE: Final = 50
LONGEST_NOTE: Final = 200
_TOKEN: Final = re.compile(rf"{re.escape(MARK)}\s*([\w-]{{1,{LONGEST}}}\.[\w-]{{1,64}})\s*\]", re.ASCII)
_QUOTED_BREAK: Final = re.compile(r"\r?\n[>\s]*")
_TAGS: Final = re.compile(r"<[^>]*>")
_MINUTES: Final = re.compile(r"(\d{1,4})\s*(?:min|minutes|m)?\.?", re.IGNORECASE)


class MailReplies:
    """Looks into a Maildir every few seconds; what is read is marked as seen."""

    def __init__(self, channel: str, folder: Path, box: AnswerBox, clock: Clock) -> None:
        self._channel, self._folder = channel, folder
        self._box, self._clock = box, clock
        self._seen: set[str] = set()
        self._wrong = ""

    async def run(self) -> None:
        """Look until cancelled."""
        while True:
            for heard in await asyncio.to_thread(self.look):
                self._box.give(heard)
            await self._clock.sleep_until(self._clock.monotonic_s() + LOOK_EVERY_S)

    def look(self) -> list[HeardAnswer]:
        """Return the answers among what came since the last look; a folder that cannot be read stands in the log, once."""
        found: list[HeardAnswer] = []
        try:
            came = sorted(path for path in (self._folder / "new").iterdir() if path.name not in self._seen)
            for path in came[:MOST_AT_ONCE]:
                with path.open("rb") as file:
                    heard = answer_of(self._channel, file.read(LARGEST_BYTES))
                if heard is not None:
                    found.append(heard)
                self._seen.add(path.name)
                path.rename(self._folder / "cur" / f"{path.name}:2,S")
                self._seen.discard(path.name)
            self._wrong = ""
        except OSError as error:
            if str(error) != self._wrong:
                log.warning("channel %s: replies cannot be read: %s", self._channel, error)
            self._wrong = str(error)
        return found


def answer_of(channel: str, data: bytes) -> HeardAnswer | None:
    """Return what a mail answers, None where it answers nothing: nothing of it is believed but the token, once it is checked."""
    mail = BytesParser(_class=EmailMessage, policy=policy.default).parsebytes(data)
    if _by_itself(mail):
        return None
    text = _text(mail)
    found = _TOKEN.search(text) or _TOKEN.search(_QUOTED_BREAK.sub("", text))
    if found is None:
        return None
    first = _first_line(text)
    minutes = _MINUTES.fullmatch(first)
    return HeardAnswer(
        channel,
        found[1],
        minutes=minutes[1] if minutes else "",
        note="" if minutes else first,
        way="by a reply to mail by",
    )


def _by_itself(mail: EmailMessage) -> bool:
    automatic = str(mail.get("Auto-Submitted", "no")).partition(";")[0].strip().casefold() != "no"
    bulk = str(mail.get("Precedence", "")).strip().casefold() in {"bulk", "junk", "list", "auto_reply"}
    return automatic or bulk or mail.get_content_type() == "multipart/report"


def _text(mail: EmailMessage) -> str:
    """Return a mail's plain text, else its HTML without tags; "" of what cannot be read."""
    try:
        body = mail.get_body(("plain", "html"))
        content = "" if body is None else str(body.get_content())
    except (LookupError, ValueError, KeyError):
        return ""
    return _TAGS.sub(" ", content) if body is not None and body.get_content_type() == "text/html" else content


def _first_line(text: str) -> str:
    """Return the first line somebody wrote above what they quote, in printable characters."""
    for line in text.splitlines():
        plain = "".join(c for c in line if c.isprintable()).strip()
        if plain.startswith((">", "--")) or MARK in plain or plain.endswith(":"):
            return ""
        if plain:
            return plain[:LONGEST_NOTE]
    return ""
