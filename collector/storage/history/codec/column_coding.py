"""A column of integers to bytes that Huffman coding alone brings near their entropy, and back.

Theory, step by step:

Prediction. A value is foretold as the first plus a share of the sum of all errors made so far:
`first + (errors' sum * share >> 8)`. Share 256 foretells the value before (a slow walk), 0 the first value
(noise about a level), and those between smooth exponentially, which is best for noise about a level that
itself moves. Written so, decoding is a running sum. The share follows from how consecutive differences
hang together: those of such a process are a moving average of order 1, and their correlation r gives the
smoothing by r = -t / (1 + t^2), share = 256 (1 - t).

Digits. The errors, folded to 0, -1, 1, -2, 2 -> 0, 1, 2, 3, 4, are mostly tiny, and a Huffman code spends
at least one bit on each. So as many as fit are put into one byte as digits of base 2, 3, 4, 6 or 16; what
does not fit below the base is marked by the highest digit and listed behind. Wide errors are cut into a low
byte, which is noise, and a high part, which is coded the same way again.

Times are a grid and how late each poll was, and only where they leave the grid a step of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

from collector.storage.history.columns import Ints

Words = npt.NDArray[np.uint64]

ONE: Final = 256
"""The share by which the value before is foretold."""
_NEAR: Final = 2**40
"""Values nearer to zero than this can be smoothed: no product leaves 64 bits."""
_FEW: Final = 6
_LEAST_CORRELATION: Final = -0.12
"""Of consecutive differences; nearer to zero smoothing gains under 0.01 bits a value."""
_SLOWEST: Final = 6
"""A smoothing share that still follows a level that moves."""

_DIGITS: Final = {2: 8, 3: 5, 4: 4, 6: 3, 16: 2, 256: 1}
"""Digits in one byte by base."""
_ESCAPES, _SPLIT = 64, 128
_CODES: Final = {base: number for number, base in enumerate(_DIGITS, start=1)}
_BASES: Final = {number: base for base, number in _CODES.items()}
_MOST_ESCAPED: Final = 0.05


class CodingError(ValueError):
    """Bytes that no column was ever coded as."""


def varint(number: int) -> bytes:
    """Return a number from 0 to 2^64 - 1, seven bits a byte, lowest first."""
    out = bytearray()
    while number > 0x7F:
        out.append(number & 0x7F | 0x80)
        number >>= 7
    out.append(number)
    return bytes(out)


class Reader:
    """Reads one piece after the other. Raises CodingError at a torn end."""

    def __init__(self, content: bytes, place: int = 0) -> None:
        self.content = content
        self.place = place

    def octets(self, size: int) -> bytes:
        """Return the next `size` bytes."""
        found = self.content[self.place : self.place + size]
        if len(found) != size:
            raise CodingError("torn within a column")
        self.place += size
        return found

    def varint(self) -> int:
        """Return the next number."""
        number = shift = 0
        while True:
            (octet,) = self.octets(1)
            number |= (octet & 0x7F) << shift
            shift += 7
            if octet < 0x80:
                return number
            if shift > 63:
                raise CodingError("impossible number")


def _fold(number: int) -> int:
    return (number << 1) ^ (number >> 63)


def _unfold(number: int) -> int:
    return (number >> 1) ^ -(number & 1)


def coded(values: Ints) -> bytes:
    """Return a column's values as bytes; how many they are is not among them."""
    return coded_all([values])[0]


def coded_all(columns: Sequence[Ints]) -> list[bytes]:
    """Return several columns' values as bytes, column by column as `coded` does."""
    return [
        _head(int(values[0]), share) + _symbols(_folded(errors)) if len(values) else b""
        for values, (share, errors) in zip(columns, _errors(columns), strict=True)
    ]


def _folded(errors: Ints) -> Words:
    return ((errors << 1) ^ (errors >> 63)).view(np.uint64)


def _head(first: int, share: int) -> bytes:
    small = abs(first) < _NEAR
    told = varint(_fold(first) << 1) if small else b"\x01" + first.to_bytes(8, "little", signed=True)
    return told + varint(share)


def decoded(reader: Reader, count: int) -> Ints:
    """Return the `count` values coded at the reader's place. Raises CodingError."""
    if not count:
        return np.empty(0, dtype=np.int64)
    head = reader.varint()
    first = int.from_bytes(reader.octets(8), "little", signed=True) if head & 1 else _unfold(head >> 1)
    share = reader.varint()
    folded = _read_symbols(reader, count - 1)
    errors = (folded >> np.uint64(1)).view(np.int64) ^ -(folded & np.uint64(1)).view(np.int64)
    values = np.empty(count, dtype=np.int64)
    values[0] = first
    if share == ONE:  # sums wrap at 64 bits, as the differences did
        np.cumsum(errors, out=values[1:])
        values[1:] += first
    elif share == 0:
        values[1:] = errors + first
    elif share < ONE:
        sums = np.cumsum(errors)
        values[1:] = errors + first
        values[2:] += (sums[:-1] * share) >> 8
    else:
        raise CodingError("impossible share")
    return values


def _errors(columns: Sequence[Ints]) -> list[tuple[int, Ints]]:
    """Return for each column the share it is foretold by, and the errors of that."""
    found: list[tuple[int, Ints]] = []
    smoothed: dict[int, list[int]] = {}
    for place, values in enumerate(columns):
        steps = np.diff(values)
        share = _share(steps)
        if share != ONE and (values.min() <= -_NEAR or values.max() >= _NEAR):
            share = ONE
        if share != ONE:
            smoothed.setdefault(len(values), []).append(place)
        found.append((share, steps))
    for places in smoothed.values():
        distances = np.stack([columns[place][1:] - columns[place][0] for place in places], axis=1)
        shares = np.array([found[place][0] for place in places], dtype=np.int64)
        errors = _smoothed(distances, shares) if len(places) > _FEW else _one_by_one(distances, shares)
        for n, place in enumerate(places):
            found[place] = (int(shares[n]), np.ascontiguousarray(errors[:, n]))
    return found


def _smoothed(distances: Ints, shares: Ints) -> Ints:
    """Return the errors of columns side by side: each row needs the errors of all rows before it."""
    errors = np.empty_like(distances)
    total, foretold = np.zeros_like(shares), np.zeros_like(shares)
    for distance, error in zip(distances, errors, strict=True):
        np.multiply(total, shares, out=foretold)
        np.right_shift(foretold, 8, out=foretold)
        np.subtract(distance, foretold, out=error)
        np.add(total, error, out=total)
    return errors


def _one_by_one(distances: Ints, shares: Ints) -> Ints:
    errors = np.empty_like(distances)
    for n, share in enumerate(shares.tolist()):
        total, found = 0, []
        for distance in distances[:, n].tolist():
            error = distance - (total * share >> 8)
            found.append(error)
            total += error
        errors[:, n] = found
    return errors


def _share(steps: Ints) -> int:
    if len(steps) < 16 or not steps.any():
        return ONE
    moves = steps.astype(np.float64)
    size = np.abs(moves)
    # a rare jump says nothing of the noise
    limit = 4.0 * float(np.sqrt(np.mean(np.minimum(size, 4.0 * size.mean()) ** 2)))
    moves = np.clip(moves, -limit, limit)
    correlation = float(moves[1:] @ moves[:-1] / (moves @ moves))
    if correlation > _LEAST_CORRELATION:
        return ONE
    if correlation <= -0.5:
        return _SLOWEST
    smoothing: float = (1.0 - (1.0 - 4.0 * correlation**2) ** 0.5) / (-2.0 * correlation)
    return max(_SLOWEST, round(ONE * (1.0 - smoothing)))


def _symbols(folded: Words) -> bytes:
    """Return folded errors as digits, those beyond the base behind them."""
    count = len(folded)
    top = int(folded.max(initial=0))
    if top == 0:
        return b"\x00"
    seen = np.bincount(np.minimum(folded, 256).astype(np.intp), minlength=257)
    base = _base(seen, count, top)
    if base is None:
        low = (folded & np.uint64(0xFF)).astype(np.uint8)
        return bytes((_SPLIT,)) + low.tobytes() + _symbols(folded >> np.uint64(8))
    if top < base:
        return bytes((_CODES[base],)) + _packed(folded.astype(np.uint8), base)
    mark = base - 1
    beyond = folded >= mark
    digits = np.where(beyond, np.uint64(mark), folded).astype(np.uint8)
    rest = folded[beyond] - np.uint64(mark)
    return bytes((_CODES[base] | _ESCAPES,)) + _packed(digits, base) + _symbols(rest)


def _base(seen: npt.NDArray[np.intp], count: int, top: int) -> int | None:
    """Return the base that should take least room, None where even a byte is too narrow."""
    best: tuple[float, int | None] = (np.inf, None)
    reached = np.cumsum(seen)
    for base, digits in _DIGITS.items():
        escapes = 0 if top < base else count - int(reached[base - 2])
        if escapes > _MOST_ESCAPED * count:
            continue
        shares = seen[: min(base, 256)] / count
        shares = shares[shares > 0]
        bits = -float(shares @ np.log2(shares)) * count
        if escapes:
            bits += escapes * (max(4, (top - base).bit_length()) - np.log2(escapes / count))
        # what whole bits waste on a byte grows with the share of the commonest one (Gallager, 1978)
        wasted = (0.04 + 0.15 * float(shares.max()) ** (2 * digits)) * count / digits
        table = 3.0 * min(len(shares) ** digits, count / digits)
        best = min(best, (max(bits + wasted, count / digits) + table, base))
    return best[1]


def _packed(digits: npt.NDArray[np.uint8], base: int) -> bytes:
    size = _DIGITS[base]
    if size == 1:
        return digits.tobytes()
    padded = np.zeros(-(-len(digits) // size) * size, dtype=np.uint8)
    padded[: len(digits)] = digits
    powers = np.array([base**n for n in range(size)], dtype=np.uint16)
    return (padded.reshape(-1, size) @ powers).astype(np.uint8).tobytes()


def _table(base: int) -> npt.NDArray[np.uint8]:
    octets = np.arange(256)
    return np.stack([octets // base**n % base for n in range(_DIGITS[base])], axis=1).astype(np.uint8)


_TABLES: Final = {base: _table(base) for base in _DIGITS if base < 256}


def _read_symbols(reader: Reader, count: int) -> Words:
    (form,) = reader.octets(1)
    if form == 0:
        return np.zeros(count, dtype=np.uint64)
    if form == _SPLIT:
        low = np.frombuffer(reader.octets(count), dtype=np.uint8)
        high = _read_symbols(reader, count)
        return (high << np.uint64(8)) | low
    base = _BASES.get(form & ~_ESCAPES)
    if base is None:
        raise CodingError("unknown form of a column")
    size = _DIGITS[base]
    octets = np.frombuffer(reader.octets(-(-count // size)), dtype=np.uint8)
    digits = octets if size == 1 else _TABLES[base][octets].reshape(-1)[:count]
    found: Words = digits.astype(np.uint64)
    if form & _ESCAPES:
        beyond = digits == base - 1
        found[beyond] += _read_symbols(reader, int(beyond.sum()))
    return found


def coded_times(at: Ints) -> bytes:
    """Return times in order as bytes: the place of each on a grid, and its distance from there."""
    if len(at) < 2:
        return varint(0) + coded(at)
    step = max(1, int(np.median(np.diff(at))))
    places, late = _gridded(at, step)
    return varint(step) + varint(_fold(int(at[0]))) + coded(places - np.arange(len(at))) + coded(late)


def _gridded(at: Ints, step: int) -> tuple[Ints, Ints]:
    apart = at - at[0] + step // 2
    return apart // step, apart % step


def decoded_times(reader: Reader, count: int) -> Ints:
    """Return the `count` times coded at the reader's place. Raises CodingError."""
    step = reader.varint()
    if not step:
        return decoded(reader, count)
    first = _unfold(reader.varint())
    places = decoded(reader, count) + np.arange(count)
    return first - step // 2 + places * step + decoded(reader, count)
