"""What stands in front of the notification library: who may be heard at all, and how often.

Decoding a notification costs about a millisecond, and anybody can send datagrams under any address. So before
a single octet reaches the library a datagram must come from a card's address, be no longer than a
notification can be, and find a token in its source's bucket and in the common one.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field
from typing import Final

LARGEST: Final = 4096


@dataclass(slots=True)
class SenderBucket:
    """Tokens that come in at `per_s` a second, up to `most`. Times in monotonic seconds."""

    per_s: float
    most: float
    tokens: float
    at_s: float

    def take(self, now_s: float) -> bool:
        """Take one token; return whether there was one."""
        self.tokens = min(self.most, self.tokens + max(0.0, now_s - self.at_s) * self.per_s)
        self.at_s = now_s
        if self.tokens < 1.0:
            return False
        self.tokens -= 1.0
        return True


@dataclass(slots=True)
class Gate:
    """Decides over each datagram; `refused` counts by reason.

    A card may send `source_per_s` a second for long and `source_most` at once (RFC 1628: no notification more
    often than each five seconds, but all at once when the mains fail); all together `total_per_s`.
    """

    sources: Collection[str]
    source_per_s: float = 2.0
    source_most: float = 20.0
    total_per_s: float = 40.0
    total_most: float = 100.0
    refused: dict[str, int] = field(default_factory=dict)
    _buckets: dict[str, SenderBucket] = field(default_factory=dict)
    _total: SenderBucket | None = None

    def admits(self, source: str, octets: int, now_s: float) -> bool:
        """Return whether a datagram goes on to be decoded."""
        why = self._why_not(source, octets, now_s)
        if why is not None:
            self.refused[why] = self.refused.get(why, 0) + 1
        return why is None

    def _why_not(self, source: str, octets: int, now_s: float) -> str | None:
        if source not in self.sources:
            return "unknown source"
        if octets > LARGEST:
            return "too long"
        bucket = self._buckets.get(source)
        if bucket is None:  # bounded: there are no more buckets than known sources
            bucket = self._buckets[source] = SenderBucket(
                self.source_per_s, self.source_most, self.source_most, now_s
            )
        if not bucket.take(now_s):
            return "too many from one source"
        if self._total is None:
            self._total = SenderBucket(self.total_per_s, self.total_most, self.total_most, now_s)
        return None if self._total.take(now_s) else "too many in all"
