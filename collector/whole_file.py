"""A file that people or programs read: there under its name only once it is whole."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def whole_file(target: Path) -> Iterator[Path]:
    """Give a name beside `target` to write to; the file is moved to `target` when all went well, else removed.

    What stood at `target` stays until then. A pipe or a device cannot be moved to, and is written to itself.
    Raises OSError.
    """
    if target.exists() and not target.is_file():
        yield target
        return
    part = target.with_name(target.name + ".part")
    try:
        yield part
        with part.open("rb") as written:
            os.fsync(written.fileno())
        part.replace(target)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
