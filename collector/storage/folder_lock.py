"""One service at a time on a data folder: a lock that the system lets go when its holder ends, however it ends."""

from __future__ import annotations

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from collector.storage.database import FILE_MODE, StoreError, StoreFault

LOCK_FILE: Final = "service.lock"


@contextmanager
def held(folder: Path) -> Iterator[None]:
    """Hold a folder until the block ends. Raises StoreError, naming the process that holds it already.

    The file stays: to remove it would let a third one lock another file of its name. Commands that only read, and
    those that add a line to the ledger, need no lock.
    """
    path = folder / LOCK_FILE
    try:
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, FILE_MODE)
    except OSError as error:
        raise StoreError(
            folder, StoreFault.UNWRITABLE, f"cannot lock the folder ({error.strerror})"
        ) from error
    try:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            holder = os.pread(descriptor, 20, 0).decode("ascii", "replace").strip()
            named = f"process {holder}" if holder.isdigit() else "another process"
            raise StoreError(
                folder, StoreFault.IN_USE, f"a service runs on this data folder: {named}"
            ) from None
        except OSError as error:
            what = f"cannot lock the folder ({error.strerror})"
            raise StoreError(folder, StoreFault.FAILING, what) from error
        try:
            os.ftruncate(descriptor, 0)
            os.pwrite(descriptor, f"{os.getpid()}\n".encode(), 0)
        except OSError:
            pass  # a full disk: held all the same, only not by name
        yield
    finally:
        os.close(descriptor)
