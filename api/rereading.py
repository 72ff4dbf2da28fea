"""The estate file read again while the service runs (SIGHUP, `ridethrough reload`): taken over whole, or refused whole and why.

What was refused changes nothing. What is taken over is taken by a service that follows the one that runs, in the same
process and behind the same listening socket (`api.serve`): it goes on from what the stores hold, as a restart does, and
cards are asked again within seconds. Where it listens and by which certificate is the process's own and wants a restart.
"""

from __future__ import annotations

import asyncio
import json
import logging
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from collector.configuration import ConfigError, Configuration, latest_today, load
from collector.configuration.changes import differences

log = logging.getLogger(__name__)

OUTCOME_FILE: Final = "reloaded.json"
FIXED: Final = ("host", "port", "certificate_file", "key_file")
"""What of `[listen]` only a restart takes over."""


@dataclass(frozen=True, slots=True)
class Reread:
    """What came of reading the file again. `following`: what is to be taken over, None for nothing."""

    said: tuple[str, ...]
    good: bool
    following: Configuration | None = None


async def read_again(running: Configuration) -> Reread:
    """Return what the file says now against what runs, and log it. Never raises but when cancelled."""
    try:
        found = await asyncio.to_thread(_compared, running)
    except Exception as error:  # the boundary: somebody's file must not end the service
        log.exception("%s could not be read again", running.path)
        found = Reread(
            (f"{running.path} could not be read again ({error}); the service goes on as it was.",), False
        )
    for line in found.said:
        log.warning("%s", line)
    return found


def _compared(running: Configuration) -> Reread:
    try:
        new = load(running.path)
    except ConfigError as error:
        faults = (str(fault) for fault in error.faults)
        first = f"{running.path} has faults, and nothing of it is taken over; the service goes on as it was. Mend:"
        return Reread((first, *faults), False)
    fixed = [name for name in FIXED if getattr(running.listen, name) != getattr(new.listen, name)]
    if fixed:
        names = ", ".join(f"listen.{name}" for name in fixed)
        return Reread(
            (
                f"{running.path} is good, and nothing of it is taken over: {names} wants a restart of the service.",
            ),
            False,
        )
    found = differences(running, new)
    warned = _warned(new)
    if not found:
        said = f"{running.path} was read again: it says what the running service was started with."
        return Reread((said, *warned), True)
    return Reread(
        (f"{running.path} was read again and is taken over (version {new.version}):", *found, *warned),
        True,
        new,
    )


def _warned(new: Configuration) -> list[str]:
    """Return what `check` finds besides: also days to come, which a service takes, since its clock may be years behind."""
    try:
        load(new.path, latest_today(datetime.now(UTC)))
    except ConfigError as error:
        return [f"warning: {fault}" for fault in (*error.faults, *error.warnings)]
    return [f"warning: {warning}" for warning in new.warnings]


def keep_outcome(folder: Path, running: Configuration, found: Reread) -> None:
    """Keep beside the stores what came of it, for whoever asked. Raises OSError."""
    body = {
        "at": datetime.now(UTC).isoformat(),
        "taken": found.good,
        "file": str(running.path),
        "version": running.version,
        "said": list(found.said),
    }
    path = folder / OUTCOME_FILE
    part = path.with_suffix(".part")
    part.write_text(json.dumps(body) + "\n", encoding="utf-8")
    part.chmod(0o600)
    part.replace(path)
