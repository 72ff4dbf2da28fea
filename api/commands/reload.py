"""The service reads the file that it was started with again, and takes it over whole or refuses it whole: a fault anywhere in
it leaves everything as it was. Nothing has to be stopped; cards are asked again within seconds. Where it listens and its
certificate files want a restart. To be run as the service's user or as root, on its machine."""

from __future__ import annotations

import argparse
import fcntl
import json
import os
import signal
import time
from pathlib import Path
from typing import Any, Final

from api.commands.exits import Exit, complain
from api.commands.shared import add_data, folder_of

PATIENCE_S: Final = 60.0
LOOK_EVERY_S: Final = 0.1


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    add_data(parser)


def run(options: argparse.Namespace) -> int:
    """Ask the service, and say what came of it."""
    from api.rereading import OUTCOME_FILE  # noqa: PLC0415 - light starts

    folder = folder_of(options)
    outcome = folder / OUTCOME_FILE
    try:
        process = _holder(folder)
        before = _stamp(outcome)
        if process is None:
            return complain(Exit.UNREACHABLE, f"no service runs on {folder}")
        os.kill(process, signal.SIGHUP)
    except OSError as error:
        return complain(
            Exit.UNREACHABLE, f"{folder}: {error.strerror}; run this as the service's user or as root"
        )
    end = time.monotonic() + PATIENCE_S
    while _stamp(outcome) == before:
        if time.monotonic() > end:
            return complain(
                Exit.UNREACHABLE, f"the service did not say within {PATIENCE_S:.0f} s what came of it"
            )
        time.sleep(LOOK_EVERY_S)
    told: dict[str, Any] = json.loads(outcome.read_text("utf-8"))
    if not told["taken"]:
        return complain(Exit.WRONG_INPUT, *told["said"])
    print("\n".join(told["said"]))
    return int(Exit.DONE)


def _holder(folder: Path) -> int | None:
    """Return the process that runs on a data folder, None where none does. Raises OSError."""
    from collector.storage.folder_lock import LOCK_FILE  # noqa: PLC0415 - light starts

    path = folder / LOCK_FILE
    if not path.is_file():
        return None
    with path.open("rb") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_SH | fcntl.LOCK_NB)
        except BlockingIOError:
            named = lock.read(20).strip()
            return int(named) if named.isdigit() else None
    return None


def _stamp(path: Path) -> tuple[int, int] | None:
    try:
        what = path.stat()
    except FileNotFoundError:
        return None
    return what.st_mtime_ns, what.st_ino
