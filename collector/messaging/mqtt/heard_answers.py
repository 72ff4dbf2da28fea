"""Answers that people publish at a broker or send by mail, as they were heard: nothing of them is believed yet.

Who takes them is `collector.messaging.delivery.broker_answers`.
"""

from __future__ import annotations

import asyncio
import json
import logging
from dataclasses import dataclass
from typing import Final

from collector.messaging.delivery.answer_links import LONGEST

log: Final = logging.getLogger(__name__)
WAITING: Final = 50
"""Answers that wait at the most; more at once are a flood, and are passed over."""
LARGEST_BYTES: Final = LONGEST + 1024


@dataclass(frozen=True, slots=True)
class HeardAnswer:
    """What was published: by which broker or channel, the token, and what was said with it. `way`: in words, before its id."""

    broker: str
    token: str
    minutes: str = ""
    note: str = ""
    way: str = "at broker"


class AnswerBox:
    """Where brokers put what they heard; nothing of it is believed yet."""

    def __init__(self) -> None:
        self.heard: asyncio.Queue[HeardAnswer] = asyncio.Queue(WAITING)

    def put(self, broker: str, payload: object, *, retained: bool) -> None:
        """Take in what was published. What is retained may be of any age, and what is none is passed over."""
        if retained or not isinstance(payload, bytes | bytearray) or len(payload) > LARGEST_BYTES:
            return
        found = _heard(broker, bytes(payload))
        if found is not None:
            self.give(found)

    def give(self, found: HeardAnswer) -> None:
        """Take in what was answered by any way."""
        try:
            self.heard.put_nowait(found)
        except asyncio.QueueFull:
            log.warning("%s: more than %d answers at once; one is passed over", found.broker, WAITING)


def _heard(broker: str, payload: bytes) -> HeardAnswer | None:
    try:
        text = payload.decode().strip()
        if not text.startswith("{"):
            return HeardAnswer(broker, text) if text else None
        said = json.loads(text)
    except (ValueError, RecursionError):
        return None
    token, minutes, note = said.get("answer"), said.get("minutes"), said.get("note")
    if not isinstance(token, str) or not isinstance(note, str | None) or not isinstance(minutes, int | None):
        return None
    return HeardAnswer(broker, token, "" if minutes is None else str(minutes), note or "")
