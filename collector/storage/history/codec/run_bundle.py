"""Named entries in one blob, compressed together where they are alike, each readable without the others.

    magic, length and CRC-32 of the directory | directory | segment | segment | ...

The directory (deflated) holds a head of JSON, the entries' names and the segments' lengths and CRC-32. A
segment holds one or more whole entries behind their lengths. Entries beside each other in a group share a segment,
and with it the tables of its Huffman code, where that is estimated to be smaller: the three lines of a
voltage mostly do. A damaged segment costs the entries in it and no others.
"""

from __future__ import annotations

import json
import struct
import zlib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from collector.storage.history.codec.column_coding import CodingError, Reader, varint
from collector.storage.history.codec.hour_chunk import LARGEST_BYTES, ChunkError, require_bytes

MAGIC: Final = b"RTb1"
LEVEL: Final = 6
MEMORY: Final = 9
SHORT_BYTES: Final = 4096
LARGEST_SEGMENT: Final = 16_384
"""Bytes before compression to which entries are put together: one table of zlib's serves about as many."""

_HEAD: Final = struct.Struct("<4sII")
_TABLE_BITS: Final = 5.0
"""What a Huffman code's table costs for each byte value in use, about."""

Fetch = Callable[[int, int], bytes]
"""Gives so many bytes of a blob from a place: (place, size)."""


@dataclass(frozen=True, slots=True)
class Segment:
    """Where a segment is, which entries it holds, and its CRC-32."""

    names: tuple[str, ...]
    place: int
    size: int
    content_size: int
    check_sum: int


@dataclass(frozen=True, slots=True)
class Bundle:
    """The directory of a blob, and a way to its bytes."""

    head: Mapping[str, Any]
    segments: tuple[Segment, ...]
    fetch: Fetch

    @property
    def names(self) -> tuple[str, ...]:
        """Return the names of all entries, in order."""
        return tuple(name for segment in self.segments for name in segment.names)

    def entries(self, wanted: frozenset[str] | None = None) -> dict[str, bytes]:
        """Return all entries, or those wanted that are there. Raises ChunkError."""
        found: dict[str, bytes] = {}
        for segment in self.segments:
            if wanted is None or not wanted.isdisjoint(segment.names):
                found |= self.within(segment)
        return found if wanted is None else {n: found[n] for n in found if n in wanted}

    def within(self, segment: Segment) -> dict[str, bytes]:
        """Return the entries of one segment. Raises ChunkError."""
        content = _inflated(self.fetch(segment.place, segment.size), segment.content_size)
        if zlib.crc32(content) != segment.check_sum:
            raise ChunkError("damaged: checksum does not fit")
        try:
            reader = Reader(content)
            sizes = [reader.varint() for _ in segment.names]
            return {name: reader.octets(size) for name, size in zip(segment.names, sizes, strict=True)}
        except CodingError as error:
            raise ChunkError(str(error)) from error


def bundled(head: Mapping[str, Any], *apart: Iterable[tuple[str, bytes]]) -> bytes:
    """Return groups of entries as one blob; no two groups share a segment."""
    directory = bytearray()
    segments = []
    groups = [group for entries in apart for group in _grouped(entries)]
    told = json.dumps([head, [n for names, _ in groups for n in names]], ensure_ascii=False).encode()
    directory += varint(len(told)) + told + varint(len(groups))
    for names, parts in groups:
        content = b"".join(varint(len(part)) for part in parts) + b"".join(parts)
        packed = _smallest(content)
        segments.append(packed)
        directory += varint(len(names)) + varint(len(packed)) + varint(len(content))
        directory += zlib.crc32(content).to_bytes(4, "little")
    stored = zlib.compress(directory, LEVEL, -zlib.MAX_WBITS)
    return _HEAD.pack(MAGIC, len(stored), zlib.crc32(stored)) + stored + b"".join(segments)


def opened(fetch: Fetch, length: int) -> Bundle:
    """Return what a blob of `length` bytes holds. Raises ChunkError."""
    if length < _HEAD.size:
        raise ChunkError("torn: shorter than a chunk's head")
    magic, size, check_sum = _HEAD.unpack(fetch(0, _HEAD.size))
    if magic != MAGIC:
        raise ChunkError("not a chunk")
    if _HEAD.size + size > length:
        raise ChunkError("torn within its directory")
    stored = fetch(_HEAD.size, size)
    if zlib.crc32(stored) != check_sum:
        raise ChunkError("damaged: checksum of its directory does not fit")
    reader = Reader(_inflated(stored, None))
    try:
        head, names = json.loads(reader.octets(reader.varint()))
        segments = []
        place, first = _HEAD.size + size, 0
        for _ in range(reader.varint()):
            count, packed, content = reader.varint(), reader.varint(), reader.varint()
            check_sum = int.from_bytes(reader.octets(4), "little")
            segments.append(Segment(tuple(names[first : first + count]), place, packed, content, check_sum))
            place, first = place + packed, first + count
    except (CodingError, ValueError) as error:
        raise ChunkError("damaged directory") from error
    return Bundle(head, tuple(segments), fetch)


def opened_bytes(blob: bytes) -> Bundle:
    """Return what a blob in memory holds. Raises ChunkError."""
    require_bytes(blob)
    return opened(lambda place, size: blob[place : place + size], len(blob))


def _grouped(entries: Iterable[tuple[str, bytes]]) -> Iterable[tuple[list[str], list[bytes]]]:
    names: list[str] = []
    parts: list[bytes] = []
    seen = np.zeros(256, dtype=np.int64)
    cost = 0.0
    for name, part in entries:
        more = np.bincount(np.frombuffer(part, dtype=np.uint8), minlength=256)
        own, together = _bits(more), _bits(seen + more)
        if names and (together > cost + own or int(seen.sum()) + len(part) > LARGEST_SEGMENT):
            yield names, parts
            names, parts, seen, cost = [], [], np.zeros(256, dtype=np.int64), 0.0
            together = own
        names.append(name)
        parts.append(part)
        seen, cost = seen + more, together
    if names:
        yield names, parts


def _bits(seen: np.ndarray[tuple[int], np.dtype[np.int64]]) -> float:
    """Return about how many bits a segment with so many of each byte takes."""
    there = seen[seen > 0]
    if not len(there):
        return 0.0
    total = there.sum()
    bits = float(there @ (np.log2(total) - np.log2(there)))
    return max(bits, float(total) / 8) + _TABLE_BITS * len(there) + 112.0  # a segment's line in the directory


def _smallest(content: bytes) -> bytes:
    # noise has no repeats worth looking for, and Huffman coding alone wins; still columns are all runs
    ways: Sequence[int] = (zlib.Z_HUFFMAN_ONLY, zlib.Z_RLE, zlib.Z_DEFAULT_STRATEGY)
    return min((_deflated(content, way) for way in ways[: 3 if len(content) < SHORT_BYTES else 2]), key=len)


def _deflated(content: bytes, way: int) -> bytes:
    coder = zlib.compressobj(LEVEL, zlib.DEFLATED, -zlib.MAX_WBITS, MEMORY, way)
    return coder.compress(content) + coder.flush()


def _inflated(packed: bytes, size: int | None) -> bytes:
    limit = LARGEST_BYTES if size is None else size
    if limit > LARGEST_BYTES:
        raise ChunkError("impossible length")
    unpack = zlib.decompressobj(-zlib.MAX_WBITS)
    try:
        content = unpack.decompress(packed, limit + 1)
    except zlib.error as error:
        raise ChunkError(f"damaged ({error})") from error
    if not unpack.eof or unpack.unused_data or (size is not None and len(content) != size):
        raise ChunkError("torn: length does not fit")
    return content
