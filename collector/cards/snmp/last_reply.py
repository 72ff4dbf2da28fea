"""A reply that differs from the last one to the same question in some numbers alone: only those are decoded.

Of the thousand octets that a card at rest sends, thirty move. Two replies of the same length are one number apart from each
other (their exclusive or). Where that number is zero outside the contents of the numbers asked for, the replies have the
same names, types and lengths, the same status, version and community: what was true of all that is true still.
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

from collector.cards.snmp import ber

SHAPES_KEPT: Final = 512
_NUMBERS: Final = frozenset({ber.INTEGER, ber.COUNTER32, ber.GAUGE32, ber.TIME_TICKS})
_ID_OCTETS: Final = 4


@dataclass(frozen=True, slots=True)
class _Shape:
    """Where replies of one shape hold what. Shared by all cards that answer alike.

    `fixed`: the octets that may not differ, as a mask; `held`: those of the numbers. `place_at`: the place of the varbind
    that an octet is of. `ends`: where each varbind ends, `starts` where its number begins.
    """

    fixed: int
    held: int
    place_at: array[int]
    starts: array[int]
    ends: array[int]
    signed: bytes


@lru_cache(maxsize=SHAPES_KEPT)
def _shape(size: int, id_at: int, spots: bytes) -> _Shape:
    """Return the shape of replies of `size` octets. `spots`: start, end and tag of each number, end and tag 0 for others."""
    flat = array("H", spots)
    starts, ends, tags = flat[0::3], flat[1::3], flat[2::3]
    place_at, held = array("H", [0]) * size, 0
    for place, (start, end) in enumerate(zip(starts, ends, strict=True)):
        for at in range(start, end):
            place_at[at] = place
            held |= 0xFF << 8 * (size - 1 - at)
    request_id = ((1 << 8 * _ID_OCTETS) - 1) << 8 * (size - id_at - _ID_OCTETS)
    whole = (1 << 8 * size) - 1
    signed = bytes(tag == ber.INTEGER for tag in tags)
    return _Shape(whole & ~held & ~request_id, held, place_at, starts, ends, signed)


def _shape_of(data: bytes) -> _Shape | None:
    """Return the shape of a v1 or v2c response that was decoded; None for one that is not of the everyday kind."""
    _, pos, end = ber.read_version(data)
    _, pos = ber.read_tagged(data, pos, end, ber.OCTET_STRING)
    _, pos, end = ber.read_header(data, pos, end)
    id_at, pos = ber.read_tagged(data, pos, end, ber.INTEGER)
    if pos - id_at != _ID_OCTETS:
        return None
    for _ in ("status", "index"):
        _, pos = ber.read_int(data, pos, end)
    pos, end = ber.read_tagged(data, pos, end, ber.SEQUENCE)
    spots = array("H")
    while pos < end:
        start, stop = ber.read_tagged(data, pos, end, ber.SEQUENCE)
        _, name_end = ber.read_tagged(data, start, stop, ber.OBJECT_ID)
        tag, start, _ = ber.read_header(data, name_end, stop)
        number = tag in _NUMBERS and 1 <= stop - start <= 8
        spots.extend((start, stop, tag) if number else (start, start, 0))
        pos = stop
    return _shape(len(data), id_at, spots.tobytes())


class LastReply:
    """The last reply of one card to one question. What came counts as the last one once it is `settled`."""

    __slots__ = ("_came", "_data", "_shape")

    def __init__(self) -> None:
        self._data = b""
        self._came = b""
        self._shape: _Shape | None = None

    def moved(self, data: bytes) -> tuple[tuple[int, int], ...] | None:
        """Return the place and the number of each varbind that is another than last; None where more than numbers differ."""
        self._came = data
        shape = self._shape
        if shape is None or len(data) != len(self._data):
            return None
        apart = int.from_bytes(data, "big") ^ int.from_bytes(self._data, "big")
        if apart & shape.fixed:
            return None
        found, bits = [], 8 * len(data)
        apart &= shape.held
        while apart:
            place = shape.place_at[(bits - apart.bit_length()) // 8]
            end = shape.ends[place]
            number = int.from_bytes(data[shape.starts[place] : end], "big", signed=bool(shape.signed[place]))
            found.append((place, number))
            apart &= (1 << bits - 8 * end) - 1
        return tuple(found)

    def settled(self, *, alike: bool) -> None:
        """Take what came as the last reply; `alike`: it was no more than numbers apart from the one before."""
        self._data, self._came = self._came, b""
        if not alike:
            self._shape = _shape_of(self._data) if self._data else None

    def forget(self) -> None:
        """Have the next reply decoded whole."""
        self._data = self._came = b""
        self._shape = None
