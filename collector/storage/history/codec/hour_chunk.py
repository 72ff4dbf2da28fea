"""Columns of integers to few bytes and back, quickly: for hour chunks, which are folded again within a day.

Theory: a card's values change little from poll to poll, so a column is kept as its first value and the
differences that follow: for times the differences of differences, since polls are nearly regular; for noise
about a level (in days that schema 1 kept) the distances from the first. Differences are folded to unsigned
numbers (0, -1, 1, -2, 2 -> 0, 1, 2, 3, 4), cut into planes of equal significance, and given to zlib: most
of the upper planes is zero and costs next to nothing. Every chunk carries its own checksum (CRC-32) over what was compressed, so that
a flipped bit or a torn end is found on reading.
"""

from __future__ import annotations

import json
import struct
import zlib
from typing import Final

import numpy as np

from collector.storage.history.columns import Block, Bools, Column, Ints

MAGIC: Final = b"RTc1"
LEVEL: Final = 6
SHORT_BYTES: Final = 4096
LARGEST_BYTES: Final = 64 * 1024 * 1024
AT: Final = "@at"

_HEAD: Final = struct.Struct("<4sII")  # magic, length and CRC-32 of the content
_COLUMN: Final = struct.Struct("<BBIq")  # flags, width, number of values, first value
_MASKED, _SECOND, _LEVEL = 1, 2, 4


class ChunkError(ValueError):
    """A chunk is torn, or bits in it have flipped."""


def require_bytes(stored: object) -> None:
    """Raise ChunkError where damage has made something else of a chunk."""
    if not isinstance(stored, bytes):
        raise ChunkError("damaged: not stored as bytes")


def sealed(content: bytes) -> bytes:
    """Return content compressed, with its length and checksum before it."""
    return _HEAD.pack(MAGIC, len(content), zlib.crc32(content)) + _smallest(content)


def _smallest(content: bytes) -> bytes:
    # noise has no repeats worth looking for, and Huffman coding alone wins; still columns are all runs.
    # A search for longer repeats costs eight times as much, and gains only on short and regular content.
    ways = (zlib.Z_HUFFMAN_ONLY, zlib.Z_RLE, zlib.Z_DEFAULT_STRATEGY)
    return min((_coded(content, way) for way in ways[: 3 if len(content) < SHORT_BYTES else 2]), key=len)


def _coded(content: bytes, way: int) -> bytes:
    coder = zlib.compressobj(LEVEL, strategy=way)
    return coder.compress(content) + coder.flush()


def opened(chunk: bytes) -> bytes:
    """Return what was sealed. Raises ChunkError."""
    require_bytes(chunk)
    if len(chunk) < _HEAD.size:
        raise ChunkError("torn: shorter than a chunk's head")
    magic, length, checksum = _HEAD.unpack_from(chunk)
    if magic != MAGIC:
        raise ChunkError("not a chunk")
    if length > LARGEST_BYTES:
        raise ChunkError("impossible length")
    unpack = zlib.decompressobj()
    try:
        content = unpack.decompress(chunk[_HEAD.size :], length + 1)
    except zlib.error as error:
        raise ChunkError(f"damaged ({error})") from error
    if len(content) != length or not unpack.eof or unpack.unused_data:
        raise ChunkError("torn: length does not fit")
    if zlib.crc32(content) != checksum:
        raise ChunkError("damaged: checksum does not fit")
    return content


def _planes(differences: Ints) -> tuple[int, bytes]:
    folded = ((differences << 1) ^ (differences >> 63)).view(np.uint64)
    largest = int(folded.max(initial=0))
    width = (largest.bit_length() + 7) // 8
    if width == 0:
        return 0, b""
    octets = folded.astype("<u8").view(np.uint8).reshape(-1, 8)[:, :width]
    return width, octets.T.tobytes()


def _differences(content: bytes, width: int, count: int) -> Ints:
    octets = np.zeros((count, 8), dtype=np.uint8)
    if width:
        octets[:, :width] = np.frombuffer(content, dtype=np.uint8).reshape(width, count).T
    folded = octets.view("<u8").reshape(count).astype(np.uint64)
    return (folded >> np.uint64(1)).view(np.int64) ^ -(folded & np.uint64(1)).view(np.int64)


def packed(column: Column, *, second: bool = False) -> bytes:
    """Return one column as bytes that compress well; `second` for times."""
    flags, mask, values = 0, b"", column.values
    if column.present is not None:
        flags |= _MASKED
        mask = np.packbits(column.present).tobytes()
        values = values[column.present]
    if not len(values):
        return _COLUMN.pack(flags, 0, 0, 0) + mask
    # differences wrap at 64 bits, and so do the sums that undo them
    differences = np.diff(values)
    if second:
        flags |= _SECOND
        differences = np.diff(differences, prepend=np.int64(0))
    width, planes = _planes(differences)
    return _COLUMN.pack(flags, width, len(values), int(values[0])) + mask + planes


def unpacked(content: bytes, place: int, rows: int) -> tuple[Column, int]:
    """Return the column of `rows` rows that begins at `place`, and where it ends. Raises ChunkError."""
    try:
        flags, width, count, first = _COLUMN.unpack_from(content, place)
    except struct.error as error:
        raise ChunkError("torn within a column's head") from error
    place += _COLUMN.size
    present: Bools | None = None
    if flags & _MASKED:
        size = (rows + 7) // 8
        bits = np.frombuffer(content[place : place + size], dtype=np.uint8)
        place += size
        if len(bits) != size:
            raise ChunkError("torn within a column's mask")
        present = np.unpackbits(bits, count=rows).astype(np.bool_)
    expected = rows if present is None else int(present.sum())
    size = width * max(count - 1, 0)
    planes = content[place : place + size]
    if count != expected or width > 8 or len(planes) != size:
        raise ChunkError("column does not fit its chunk")
    values = np.zeros(rows, dtype=np.int64)
    if count:
        differences = _differences(planes, width, count - 1)
        if flags & _SECOND:
            differences = np.cumsum(differences)
        dense = np.concatenate((np.array([first], dtype=np.int64), differences))
        if flags & _LEVEL:
            dense[1:] += first
        else:
            dense = dense.cumsum()
        values[slice(None) if present is None else present] = dense
    return Column(values, present), place + size


def encoded(block: Block) -> bytes:
    """Return a whole block as one chunk."""
    names = json.dumps([len(block), *block.columns], ensure_ascii=False).encode()
    parts = [struct.pack("<I", len(names)), names, packed(Column(block.at), second=True)]
    parts += [packed(column) for column in block.columns.values()]
    return sealed(b"".join(parts))


def decoded(chunk: bytes) -> Block:
    """Return the block in a chunk. Raises ChunkError."""
    content = opened(chunk)
    try:
        (length,) = struct.unpack_from("<I", content)
        rows, *names = json.loads(content[4 : 4 + length])
    except (struct.error, ValueError) as error:
        raise ChunkError("damaged list of columns") from error
    at, place = unpacked(content, 4 + length, rows)
    columns = {}
    for name in names:
        columns[name], place = unpacked(content, place, rows)
    return Block(at.values, columns)


def decoded_column(chunk: bytes) -> Column:
    """Return the column in a chunk, which is how schema 1 kept the days. Raises ChunkError."""
    content = opened(chunk)
    if len(content) < 4:
        raise ChunkError("torn within a column")
    (rows,) = struct.unpack_from("<I", content)
    return unpacked(content, 4, rows)[0]
