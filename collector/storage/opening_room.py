"""Room that opening the stores takes, held by a file: so a start works on a disk that is full.

SQLite shares its index of what was written last in files of 32 kB beside the stores, made anew at each start; without
room for them a store cannot even be read. The file gives up as much as opening takes, and holds it again as soon as
it is free: once the stores are open, and each time one of them was closed, before anything else takes it.
"""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path
from typing import Final

ROOM_FILE: Final = "room"
ROOM_BYTES: Final = 256 * 1024
OPENING_BYTES: Final = 96 * 1024
"""What a start takes at the most: two shared indexes, and a page or two for the log of each store."""
_PIECE: Final = 4096


def give_room(folder: Path) -> None:
    """Free what opening takes; all there is where less is held."""
    path = folder / ROOM_FILE
    with suppress(OSError):
        os.truncate(path, max(0, path.stat().st_size - OPENING_BYTES))


def take_room(folder: Path) -> None:
    """Hold as much as there is beside what is held already, up to `ROOM_BYTES`."""
    with suppress(OSError):
        handle = os.open(folder / ROOM_FILE, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
        try:
            # octets of chance, for disks that keep zeros in no room
            while os.fstat(handle).st_size < ROOM_BYTES and os.write(handle, os.urandom(_PIECE)):
                pass
            os.fsync(handle)
        finally:
            os.close(handle)
