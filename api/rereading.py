"""The estate file read again while the service runs (SIGHUP): checked, compared and told; nothing is taken over.

What a running service was built from cannot be exchanged under it; a restart takes over what the file says now, and
loses nothing. So that nobody restarts into a faulty file, it is looked at first.
"""

from __future__ import annotations

import asyncio
import logging

from collector.configuration import ConfigError, Configuration, load
from collector.configuration.changes import differences

log = logging.getLogger(__name__)


async def read_again(running: Configuration) -> tuple[str, ...]:
    """Return what the file says now against what runs, one sentence a line, and log it. Never raises but when cancelled."""
    try:
        said = await asyncio.to_thread(_compared, running)
    except Exception:  # the boundary: somebody's file must not end the service
        log.exception(
            "%s could not be read again; the service goes on with what it read at its start", running.path
        )
        return ()
    for line in said:
        log.warning("%s", line)
    return said


def _compared(running: Configuration) -> tuple[str, ...]:
    try:
        found = differences(running, load(running.path))
    except ConfigError as error:
        faults = (str(fault) for fault in error.faults)
        return (
            f"{running.path} has faults, and the service goes on with what it read at its start; mend:",
            *faults,
        )
    if not found:
        return (f"{running.path} was read again: it says what the running service was started with.",)
    return (f"{running.path} was read again and is good; a restart takes over what is different:", *found)
