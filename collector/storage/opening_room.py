"""Room that opening the stores takes, held by a file while nothing runs: so a start works on a disk that is full.

SQLite shares its index of what was written last in files of 32 kB beside the stores, made anew at each start; without
room for them a store cannot even be read. The file gives its room up at a start, and a stop takes it again out of what
closing the stores set free.
"""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path
from typing import Final

ROOM_FILE: Final = "room"
ROOM_BYTES: Final = 256 * 1024
_PIECE: Final = 4096


def give_room(folder: Path) -> None:
    """Free what the file holds."""
    with suppress(OSError):
        (folder / ROOM_FILE).unlink(missing_ok=True)


def take_room(folder: Path) -> None:
    """Hold as much as there is, up to `ROOM_BYTES`."""
    with suppress(OSError):
        handle = os.open(folder / ROOM_FILE, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        try:
            for _ in range(ROOM_BYTES // _PIECE):  # octets of chance, for disks that keep zeros in no room
                os.write(handle, os.urandom(_PIECE))
            os.fsync(handle)
        finally:
            os.close(handle)
