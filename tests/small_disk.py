"""A file system of a few megabytes, to be filled to the last byte and given room again."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest


class SmallDisk:
    """A mounted file system. `folder`: its root."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._ballast = folder / "ballast"

    def fill(self) -> None:
        """Take every byte that is left."""
        handle = os.open(self._ballast, os.O_CREAT | os.O_WRONLY | os.O_APPEND)
        try:
            for size in (1 << 16, 4096):
                try:
                    while os.write(handle, bytes(size)):
                        pass
                except OSError:
                    continue
        finally:
            os.close(handle)

    def give_room(self) -> None:
        """Give back what `fill` took."""
        self._ballast.unlink()


@contextmanager
def small_disk(folder: Path, megabytes: int = 4) -> Iterator[SmallDisk]:
    """Mount a file system of its own at a new folder until the block ends; skip the test where that is refused."""
    folder.mkdir()
    mounted = (
        os.geteuid() == 0
        and not subprocess.run(
            ["mount", "-t", "tmpfs", "-o", f"size={megabytes}m", "tmpfs", str(folder)],
            check=False, capture_output=True,
        ).returncode
    )  # fmt: skip
    if not mounted:
        pytest.skip("a file system of its own can be mounted by root alone")
    try:
        yield SmallDisk(folder)
    finally:
        subprocess.run(["umount", "--lazy", str(folder)], check=True)
