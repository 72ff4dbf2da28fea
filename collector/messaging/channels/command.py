"""A program of the site's own: argument list, no shell, the event on standard input, a bare environment.

The event lies ready before the program starts, so that it reads all of it though the service be killed meanwhile.
Exit code 0: taken. 65 (EX_DATAERR): refused for good. Any other: tried again later. It runs in a session of
its own and is killed with everything it started when its time is over.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import signal
from typing import Final

from collector.configuration.channel_tables import CommandSettings as Settings
from collector.messaging.channels.channel import ChannelDown, NeverTaken, NotNow, why
from collector.messaging.channels.webhook import event_of
from collector.messaging.delivery.answer_links import AnswerLinks
from collector.storage.ledger.records import Outgoing

ENVIRONMENT: Final = {"PATH": "/usr/bin:/bin", "LANG": "C.UTF-8"}
DATA_ERROR: Final = 65
KEPT_OUTPUT: Final = 300


class CommandChannel:
    """One program, run once for each message, one at a time."""

    batch = 1

    def __init__(self, settings: Settings, links: AnswerLinks | None = None) -> None:
        self._links = links
        self.id = settings.id
        self._settings = settings

    async def run(self) -> None:
        """Hold nothing open."""

    async def send(self, message: Outgoing) -> str:
        """Run the program with the event on its standard input and return what it said."""
        event = json.dumps(event_of(message, self._links), allow_nan=False).encode() + b"\n"
        try:
            ready = _ready(event)
        except OSError as error:
            raise ChannelDown(why(error)) from error
        try:
            process = await asyncio.create_subprocess_exec(
                *self._settings.command,
                stdin=ready,
                stdout=asyncio.subprocess.PIPE,
                stderr=asyncio.subprocess.STDOUT,
                env=ENVIRONMENT,
                cwd="/",
                start_new_session=True,
            )
        except (OSError, ValueError) as error:
            raise ChannelDown(why(error)) from error
        finally:
            os.close(ready)
        try:
            async with asyncio.timeout(self._settings.deadline_s):
                output, _ = await process.communicate()
        except TimeoutError as error:
            raise NotNow(f"stopped after {self._settings.deadline_s:g} s") from error
        finally:
            await _ended(process)
        said = output.decode(errors="replace").strip()[:KEPT_OUTPUT]
        text = f"exit code {process.returncode}" + (f": {said}" if said else "")
        if process.returncode == 0:
            return text
        raise (NeverTaken if process.returncode == DATA_ERROR else NotNow)(text)


def _ready(event: bytes) -> int:
    """Return a file in memory to be read from its beginning. Raises OSError."""
    file = os.memfd_create("event")
    try:
        with os.fdopen(file, "wb", closefd=False) as writing:
            writing.write(event)
        os.lseek(file, 0, os.SEEK_SET)
    except OSError:
        os.close(file)
        raise
    return file


async def _ended(process: asyncio.subprocess.Process) -> None:
    """Kill the program and all it started if it still runs, and collect it."""
    if process.returncode is None:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
    await process.wait()
