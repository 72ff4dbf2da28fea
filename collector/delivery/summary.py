"""Not too many messages at once: how many each destination may get, and one message that holds several.

What was sent lately is counted from the journal at a start, so a restart opens no new window; and a summary
of the same messages is the same summary, whenever it is made again.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import Final

from collector.clock import Clock
from collector.delivery.letter import Letter
from collector.ledger.ledger import Ledger
from collector.ledger.records import Outgoing
from rules.alarms.incidents import Notice, NoticeKind
from rules.alarms.wording import short_form

SENT: Final = "message_sent"
"""The kind of the journal's line on a message that arrived."""


@dataclass(frozen=True, slots=True)
class Limit:
    """At most `most` messages to one destination within `within_s` seconds; what comes above is summarised."""

    most: int = 10
    within_s: float = 600.0


class Pace:
    """When each destination of each channel got its last messages, as far as the limit looks back."""

    def __init__(self, limit: Limit, clock: Clock) -> None:
        self._limit = limit
        self._clock = clock
        self._sent_s: dict[tuple[str, str], deque[float]] = {}

    async def restore(self, ledger: Ledger) -> None:
        """Count what the journal holds of the time the limit looks back to; a summary counts once."""
        now, now_s = self._clock.now(), self._clock.monotonic_s()
        found: dict[tuple[str, str], dict[str, float]] = {}
        before: int | None = None
        while True:
            page = await ledger.events(
                kinds=(SENT,), start=now - timedelta(seconds=self._limit.within_s), before=before, limit=1000
            )
            for line in page.items:
                place = (line.body["channel"], line.body["destination"])
                name = line.body.get("summary") or line.body["message"]
                # a clock that was put back must not make a message of the future
                age_s = max((now - line.at).total_seconds(), 0.0)
                found.setdefault(place, {}).setdefault(name, now_s - age_s)
            if page.next is None:
                break
            before = page.next
        self._sent_s = {place: deque(sorted(times.values())) for place, times in found.items()}

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
        sent = self._sent_s.setdefault((message.channel, message.destination), deque())
        horizon_s = self._clock.monotonic_s() - self._limit.within_s
        while sent and sent[0] <= horizon_s:
            sent.popleft()
        return sent


def summary_of(messages: list[Outgoing]) -> Outgoing:
    """Return one message that holds the short forms of several, the gravest first.

    The same messages give the same summary, so that one repeated after a kill is known by its id.
    """
    held = [Letter.of(message.body) for message in messages]
    ordered = sorted(held, key=lambda letter: -letter.notice.severity.rank)
    first = ordered[0].notice
    what = f"{len(held)} messages in one, since many came at once."
    notice = Notice(
        id=f"summary-{messages[0].id}-{len(messages)}",
        incident=first.incident,
        kind=NoticeKind.CHANGED,
        severity=first.severity,
        at=max(letter.notice.at for letter in held),
        site=first.site,
        about=first.about,
        what=what,
        do=first.do,
        by_when=first.by_when,
        lines=tuple(letter.notice.short for letter in ordered),
        short=short_form(first.short, f"{len(held)} messages", None, ""),
        urgent=any(letter.notice.urgent for letter in held),
        opened_at=first.opened_at,
    )
    letter = replace(ordered[0], notice=notice, others=(), unanswered_only=False, told_only=False)
    return replace(messages[0], id=notice.id, body=letter.body())
