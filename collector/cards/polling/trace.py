"""The last polls of one card, for a person who looks at it: packed, since every card keeps them and few are looked at."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final

KEPT: Final = 120
"""Polls that are kept of each card."""
_ROW: Final = struct.Struct("<qfHHI")
_NO_ANSWER: Final = -1.0
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_MOST: Final = 0xFFFF
_MOST_OCTETS: Final = 0xFFFFFFFF


@dataclass(frozen=True, slots=True)
class TracedRead:
    """One poll as a person may look at it. `took_s` None: no answer came."""

    at: datetime
    took_s: float | None
    objects: int | None
    retries: int | None
    octets: int | None
    why: str | None


class Trace:
    """A ring of the last polls, the oldest first; each costs 20 octets, and its reason where no answer came."""

    __slots__ = ("_count", "_rows", "_whys")

    def __init__(self) -> None:
        self._rows = bytearray()
        self._count = 0
        self._whys: dict[int, str | None] = {}

    def __len__(self) -> int:
        return min(self._count, KEPT)

    def __iter__(self) -> Iterator[TracedRead]:
        for number in range(self._count - len(self), self._count):
            at_us, took_s, objects, retries, octets = _ROW.unpack_from(self._rows, number % KEPT * _ROW.size)
            at = _EPOCH + timedelta(microseconds=at_us)
            if took_s == _NO_ANSWER:
                yield TracedRead(at, None, None, None, None, self._whys.get(number % KEPT))
            else:
                yield TracedRead(at, took_s, objects, retries, octets, None)

    def answered(self, at: datetime, took_s: float, *, objects: int, retries: int, octets: int) -> None:
        """Note a poll that was answered."""
        self._put(at, took_s, min(objects, _MOST), min(retries, _MOST), min(octets, _MOST_OCTETS))

    def silent(self, at: datetime, why: str | None) -> None:
        """Note a poll without an answer, and why there was none."""
        self._put(at, _NO_ANSWER, 0, 0, 0)
        self._whys[(self._count - 1) % KEPT] = why

    def _put(self, at: datetime, took_s: float, objects: int, retries: int, octets: int) -> None:
        row = _ROW.pack((at - _EPOCH) // timedelta(microseconds=1), took_s, objects, retries, octets)
        place = self._count % KEPT
        self._rows[place * _ROW.size : (place + 1) * _ROW.size] = row
        self._whys.pop(place, None)
        self._count += 1
