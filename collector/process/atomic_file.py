"""A file that people or programs read: there under its name only once it is whole."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def whole_file(target: Path) -> Iterator[Path]:
    """Give a name beside `target` to write to; the file is moved to `target` when all went well, else removed.

    What stood at `target` stays until then. Where `target` is a link, so does the link. A pipe or a device cannot be
    moved to, nor can what /dev/stdout is led to: they are written to themselves. Raises OSError.
    """
    whole = target.resolve()
    if target.is_relative_to("/dev") or (whole.exists() and not whole.is_file()):
        yield target
        return
    part = whole.with_name(f".{whole.name}.{os.getpid()}.part")
    try:
        yield part
        with part.open("rb") as written:
            os.fsync(written.fileno())
        part.replace(whole)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
