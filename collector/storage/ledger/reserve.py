"""A place on the disk that is taken while there is room, so that what waits for a full disk survives a kill.

A full disk takes nothing new, but it takes what is written over what a file has already. So a file of a fixed size
lies ready, and while the ledger is refused, all that waits is written over it: two slots in turn, each with its number
and a checksum, so that a torn write leaves the one before. A start goes on from the newest whole one, unless the
ledger says that it has been written: the number stands in the ledger in the same transaction as what it counts.

More than a slot holds is left out, with a word in the log: then a kill takes what came after. A file system that never
writes a block where it was (one that copies on write) may refuse on a full disk as well; that is the same.
"""

from __future__ import annotations

import base64
import json
import logging
import os
import struct
import zlib
from pathlib import Path
from typing import Any, Final

from collector.storage.ledger.full_disk import Statement

SLOT_BYTES: Final = 512 * 1024
_HEAD: Final = struct.Struct(">8sQII")
_MAGIC: Final = b"waiting1"
log = logging.getLogger(__name__)


class Reserve:
    """The file. Nothing here raises for want of a disk: what cannot be kept is kept in memory alone."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.number = 0
        """The number of what was written or found last."""
        self.holds = True
        """Whether what waits is in here, and not in memory alone."""
        try:
            self._make()
        except OSError as error:
            self._cannot(error.strerror or str(error))

    def _make(self) -> None:
        handle = os.open(self.path, os.O_RDWR | os.O_CREAT, 0o600)
        try:
            missing = 2 * SLOT_BYTES - os.fstat(handle).st_size
            if missing > 0:
                os.lseek(handle, 0, os.SEEK_END)
                os.write(handle, bytes(missing))  # real blocks, and no hole in a file
        finally:
            os.close(handle)

    def found(self) -> tuple[Statement, ...]:
        """Return what was written last and can be read whole; nothing where there is none."""
        newest: tuple[int, bytes] = (0, b"[]")
        try:
            whole = self.path.read_bytes()
        except OSError:
            whole = b""
        for start in (0, SLOT_BYTES):
            if len(head := whole[start : start + _HEAD.size]) == _HEAD.size:
                magic, number, length, check = _HEAD.unpack(head)
                packed = whole[start + _HEAD.size : start + _HEAD.size + length]
                if magic == _MAGIC and zlib.crc32(packed) == check and number > newest[0]:
                    newest = number, zlib.decompress(packed)
        self.number = newest[0]
        return tuple(_statement(plain) for plain in json.loads(newest[1]))

    def write(self, statements: tuple[Statement, ...]) -> None:
        """Write all that waits over what was written before the last time."""
        packed = zlib.compress(json.dumps([_plain(one) for one in statements]).encode(), 1)
        if _HEAD.size + len(packed) > SLOT_BYTES:
            self._cannot(f"{len(packed)} bytes wait, and it has room for {SLOT_BYTES}")
            return
        number = self.number + 1
        try:
            handle = os.open(self.path, os.O_WRONLY)
            try:
                os.lseek(handle, number % 2 * SLOT_BYTES, os.SEEK_SET)
                os.write(handle, _HEAD.pack(_MAGIC, number, len(packed), zlib.crc32(packed)) + packed)
                os.fsync(handle)
            finally:
                os.close(handle)
        except OSError as error:
            self._cannot(error.strerror or str(error))
        else:
            self.number, self.holds = number, True

    def _cannot(self, why: str) -> None:
        if self.holds:
            log.error(
                "%s: %s; what waits for the disk is in memory alone, and a kill takes it", self.path, why
            )
        self.holds = False


def _plain(one: Statement) -> list[Any]:
    values = [{"b": base64.b64encode(v).decode()} if isinstance(v, bytes) else v for v in one.values]
    return [one.sql, values, one.whole]


def _statement(plain: list[Any]) -> Statement:
    sql, values, whole = plain
    return Statement(
        sql,
        tuple(base64.b64decode(v["b"]) if isinstance(v, dict) else v for v in values),
        None if whole is None else (whole[0], whole[1]),
    )
