"""Answers by broker or mail, for a site into which nobody has a way: whoever got a message gives its token back, and has the incident.

The token is the one behind the link in a message: signed, for one person and one incident, for a day, good once. It goes with
messages by webhook and command, whose reader may be a gateway to telephones; a broker's other clients never see it. It is
published below the collector's topics, as `answer`: JSON with `answer` (the token), and if wanted `minutes` and `note`, or
the token alone. What it says is checked as if it came over HTTP, and kept with who said it and by what.
"""

from __future__ import annotations

import logging
from typing import Final, Protocol
from zoneinfo import ZoneInfo

from collector.messaging.delivery.answer_links import AnswerLinks, NoAnswerLinkError
from collector.messaging.delivery.taking_on import NotTakenOn, TakenOn, on_the_way
from collector.messaging.mqtt.heard_answers import AnswerBox, HeardAnswer
from collector.process.clock import Clock
from collector.storage.ledger.whence import Whence, asking

log: Final = logging.getLogger(__name__)
LONGEST_NOTE: Final = 500


class Takes(Protocol):
    """Who takes incidents on (`collector.messaging.delivery.taking_on.TakingOn`)."""

    async def take_on(self, incident: str, *, by: str, note: str = "", link: str | None = None) -> TakenOn:
        """Take an incident on. Raises NotTakenOn."""
        ...


class BrokerAnswers:
    """Carries out what was answered by brokers. `zone`: of the clock that `minutes` are told by."""

    def __init__(
        self, box: AnswerBox, links: AnswerLinks, takes: Takes, clock: Clock, zone: ZoneInfo
    ) -> None:
        self._box, self._links, self._takes = box, links, takes
        self._clock, self._zone = clock, zone

    async def run(self) -> None:
        """Take answers until cancelled."""
        while True:
            await self.take(await self._box.heard.get())

    async def take(self, heard: HeardAnswer) -> TakenOn | None:
        """Take one answer; None, with a line in the log, where it is none."""
        try:
            link = self._links.read(heard.token, self._clock.now())
            note = _note(heard, self._clock, self._zone)
        except (NoAnswerLinkError, ValueError) as why:
            log.warning("%s: an answer was not taken: %s", heard.broker, why)
            return None
        noted = asking.set(
            Whence(link.person, f"by the token {link.id} {heard.way} {heard.broker}", heard.broker)
        )
        try:
            return await self._takes.take_on(link.incident, by=link.person, note=note, link=link.id)
        except NotTakenOn as why:
            log.warning("%s: an answer of %s was not taken: %s", heard.broker, link.person, why)
            return None
        finally:
            asking.reset(noted)


def _note(heard: HeardAnswer, clock: Clock, zone: ZoneInfo) -> str:
    """Return what is said with an answer. Raises ValueError."""
    words = on_the_way(heard.minutes, clock.now(), zone)
    note = heard.note.strip()
    if len(note) > LONGEST_NOTE or not all(c.isprintable() for c in note):
        raise ValueError(
            f"The word to the others: want up to {LONGEST_NOTE} printable characters in one line."
        )
    return ": ".join(part for part in (words, note) if part)
