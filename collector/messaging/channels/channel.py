"""What every way to reach people and machines has in common, and what can go wrong on it."""

from __future__ import annotations

import ssl
from contextlib import suppress
from pathlib import Path
from typing import Protocol

from collector.storage.ledger.records import Outgoing


class ChannelDown(Exception):  # noqa: N818 - a state of affairs, as it is said
    """The way itself does not work now; no message can go by it. It is tried again later."""


class NotNow(Exception):  # noqa: N818 - as above
    """This message was not taken this time, others may be. It is tried again later."""


class NeverTaken(Exception):  # noqa: N818 - as above
    """The other side refused this message for good; trying again would not help."""


class Channel(Protocol):
    """One way out. `batch`: how many messages may be sent before their results are committed together.

    Where a repeated message does harm (mail), `batch` is 1.
    """

    id: str
    batch: int

    async def run(self) -> None:
        """Hold whatever must be held open, until cancelled."""
        ...

    async def send(self, message: Outgoing) -> str:
        """Send one message and return what came back. Raises ChannelDown, NotNow or NeverTaken."""
        ...


def trust(authority_file: str | None) -> ssl.SSLContext:
    """Return how the other side of a connection is verified: by the machine's authorities or the site's own.

    Raises ChannelDown when the file cannot be read.
    """
    try:
        return ssl.create_default_context(cafile=authority_file)
    except OSError as error:
        raise ChannelDown(f"{authority_file}: {error.strerror or error}") from error


class Trust:
    """`trust` for somebody who connects for each message: made anew only once the authorities' files have changed.

    Reading the machine's authorities takes some 15 ms of the event loop, more than all else a message costs. One is
    for one channel alone: a library may put its own wishes into the context.
    """

    def __init__(self, authority_file: str | None) -> None:
        self._authority_file = authority_file
        self._made: tuple[object, ssl.SSLContext] | None = None

    def context(self) -> ssl.SSLContext:
        """Return how the other side is verified now. Raises ChannelDown when the file cannot be read."""
        seen = self._seen()
        if self._made is None or self._made[0] != seen:
            self._made = seen, trust(self._authority_file)
        return self._made[1]

    def _seen(self) -> object:
        """Return what of the files moves when they are changed."""
        if self._authority_file is None:
            paths = ssl.get_default_verify_paths()
            names = [path for path in (paths.cafile, paths.capath) if path]
        else:
            names = [self._authority_file]
        found: list[object] = []
        for name in names:
            found.append(name)
            with suppress(OSError):
                stat = Path(name).stat()
                found.append((stat.st_mtime_ns, stat.st_size, stat.st_ino))
        return found


def why(error: BaseException) -> str:
    """Return an error in words, never empty and at most 300 characters."""
    return (str(error) or type(error).__name__)[:300]
