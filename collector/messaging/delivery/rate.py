"""Not too many messages at once: how many each destination may get, and one message that holds several.

What was sent lately is counted from the journal at a start, so a restart opens no new window; and a summary
of the same messages is the same summary, whenever it is made again.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final

from collector.messaging.delivery.bursts import ONCE_IN_S, Bursts, Place
from collector.messaging.delivery.letter import LETTER, Letter
from collector.process.clock import Clock
from collector.storage.ledger.ledger import Ledger
from collector.storage.ledger.records import JournalLine, Outgoing
from rules.alarms.incidents.incident import Notice, NoticeKind, NoticeNews
from rules.phrasing.text import short_form

SENT: Final = "message_sent"
"""The kind of the journal's line on a message that arrived."""


@dataclass(frozen=True, slots=True)
class RateLimit:
    """At most `most` messages to one destination within `within_s` seconds; what comes above is summarised.

    What is about planning has as many of its own: it never takes the place of what somebody is to know today. What
    may wait for nothing counts in neither (`bursts`).
    """

    most: int = 10
    within_s: float = 600.0


class MessageRate:
    """When each destination of each channel got its last messages, as far as the limit looks back."""

    def __init__(self, limit: RateLimit, clock: Clock) -> None:
        self._limit = limit
        self._clock = clock
        self._sent_s: dict[tuple[Place, bool], deque[float]] = {}
        self.bursts = Bursts()

    async def restore(self, ledger: Ledger) -> None:
        """Count what the journal holds of the time the limit looks back to; a summary counts once."""
        now, now_s = self._clock.now(), self._clock.monotonic_s()
        found: dict[tuple[Place, bool], dict[str, float]] = {}
        prompt: list[tuple[float, JournalLine]] = []
        back_s = max(self._limit.within_s, ONCE_IN_S)
        before: int | None = None
        while True:
            page = await ledger.events(
                kinds=(SENT,), start=now - timedelta(seconds=back_s), before=before, limit=1000
            )
            for line in page.items:
                # a clock that was put back must not make a message of the future
                at_s = now_s - max((now - line.at).total_seconds(), 0.0)
                if line.body.get("prompt"):
                    prompt.append((at_s, line))
                elif now_s - at_s < self._limit.within_s:
                    key = _place(line), bool(line.body.get("planning"))
                    found.setdefault(key, {}).setdefault(
                        line.body.get("summary") or line.body["message"], at_s
                    )
            if page.next is None:
                break
            before = page.next
        self._sent_s = {key: deque(sorted(times.values())) for key, times in found.items()}
        for at_s, line in reversed(prompt):
            message = await ledger.message(line.body["message"])
            if message is not None:
                joint = line.body.get("summary") is not None
                self.bursts.count(_place(line), (Letter.of(message.body),), at_s, joint=joint)

    def count(self, message: Outgoing) -> None:
        """Count a message that went out."""
        self._recent(message).append(self._clock.monotonic_s())

    def is_over(self, message: Outgoing) -> bool:
        """Return whether a message would be one too many for its destination."""
        return len(self._recent(message)) >= self._limit.most

    def held_s(self, message: Outgoing) -> float:
        """Return for how many s more a summary to this destination waits; 0 when it may go."""
        sent = self._recent(message)
        if not sent:
            return 0.0
        free_s = sent[-1] + self._limit.within_s / self._limit.most
        return max(0.0, free_s - self._clock.monotonic_s())

    def _recent(self, message: Outgoing) -> deque[float]:
        place = message.channel, message.destination
        sent = self._sent_s.setdefault((place, is_planning(message)), deque())
        horizon_s = self._clock.monotonic_s() - self._limit.within_s
        while sent and sent[0] <= horizon_s:
            sent.popleft()
        return sent


def is_planning(message: Outgoing) -> bool:
    """Return whether a message is about planning."""
    return bool(Letter.of(message.body).notice.news is NoticeNews.PLANNING)


def sending_line(
    message: Outgoing,
    kind: str,
    at: datetime,
    result: str,
    *,
    summary: str | None = None,
    prompt: bool = False,
) -> JournalLine:
    """Return the journal's line on what came of a message: what `MessageRate.restore` reads."""
    letter = Letter.of(message.body) if message.schema == LETTER else None
    person = letter.person if letter else message.channel
    text = letter.notice.short if letter else str(message.body.get("topic"))
    return JournalLine(
        at=at,
        kind=kind,
        about=letter.notice.about if letter else None,
        text=f"{person} by {message.channel}: {text}",
        incident=message.incident,
        schema="sending/1",
        body={
            "message": message.id,
            "person": person,
            "channel": message.channel,
            "destination": message.destination,
            "result": result,
            "attempts": message.attempts + 1,
            "summary": summary,
            "prompt": prompt,
            "planning": letter is not None and letter.notice.news is NoticeNews.PLANNING,
        },
    )


def _place(line: JournalLine) -> Place:
    return line.body["channel"], line.body["destination"]


def summary_of(messages: list[Outgoing]) -> Outgoing:
    """Return one message that holds the short forms of several, the gravest first; one alone goes as it is.

    Of what is over it says that alone, and last: what began and ended meanwhile has ended.
    The same messages give the same summary, so that one repeated after a kill is known by its id. It stands under the
    name of no site but the one that all of them are of.
    """
    if len(messages) == 1:
        return messages[0]
    held = [Letter.of(message.body) for message in messages]
    over = {x.notice.incident for x in held if x.notice.kind is NoticeKind.CLOSED}
    newest = [x for x in held if x.notice.kind is NoticeKind.CLOSED or x.notice.incident not in over]
    ordered = sorted(newest, key=lambda x: (x.notice.kind is NoticeKind.CLOSED, -x.notice.severity.rank))
    first = ordered[0].notice
    sites = {letter.notice.site for letter in held}
    places = {letter.notice.about for letter in held}
    of = f" of {len(sites)} sites" if len(sites) > 1 else ""
    what = f"{len(held)} messages{of} in one, since many came at once."
    notice = Notice(
        id=f"summary-{messages[0].id}-{len(messages)}",
        incident=first.incident
        if len({x.notice.incident for x in held}) == 1
        else f"summary-{messages[0].id}",
        kind=NoticeKind.CHANGED,
        severity=first.severity,
        at=max(letter.notice.at for letter in held),
        site=first.site if len(sites) == 1 else None,
        about=first.about if len(places) == 1 else "several",
        what=what,
        do=first.do if len(places) == 1 else "See each line, the gravest first.",
        by_when=first.by_when,
        by_when_for=first.by_when_for,
        lines=tuple(letter.notice.short for letter in ordered),
        short=short_form(f"the gravest: {first.short}", f"{len(held)} messages{of}", None, ""),
        urgent=any(letter.notice.urgent for letter in newest),
        opened_at=first.opened_at,
        news=first.news,
    )
    letter = replace(ordered[0], notice=notice, others=(), unanswered_only=False, told_only=False)
    return replace(messages[0], id=notice.id, body=letter.body())
