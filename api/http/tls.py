"""Encrypted connections: the certificate, looked at again so that a renewed one is taken, and the greeting of newcomers.

A connection is only a guest of the doors once both sides have agreed on keys. Until then it costs a socket all the same;
so newcomers have a deadline and places of their own, and the one that has been greeted the longest makes room.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import ssl
from collections.abc import Callable
from pathlib import Path
from socket import socket
from typing import Final

from api.http.doors import HEAD_S, RefusedRequest

LOOK_EVERY_S: Final = 60.0
MOST_GREETED: Final = 128
MOST_GREETED_FROM_ONE: Final = 16
FAREWELL_S: Final = 2.0
"""How long the other side may take to end an encrypted line."""
_log = logging.getLogger(__name__)


class CertificateError(Exception):
    """A certificate or its key cannot be used; the text says which and why."""


class Certificate:
    """A certificate chain with its key, in files. Raises CertificateError where they cannot be used."""

    def __init__(self, chain: Path, key: Path) -> None:
        self._chain = chain
        self._key = key
        self._seen = self._stamps()
        self.context = self._context()

    def renewed(self) -> bool:
        """Take other files than before for what connects from now on; return whether there were any. Blocks.

        Files that cannot be used are told once, and what was read before goes on being used.
        """
        stamps = self._stamps()
        if stamps == self._seen:
            return False
        self._seen = stamps
        try:
            self._context()  # a chain without its key must not be half taken
            self.context.load_cert_chain(self._chain, self._key)
        except (CertificateError, ssl.SSLError, OSError) as error:
            _log.error("%s; what was read before goes on being used", error)
            return False
        _log.info("%s was read again: it is a renewed certificate", self._chain)
        return True

    async def keep_looking(self) -> None:
        """Look again every minute, until cancelled."""
        while True:
            await asyncio.sleep(LOOK_EVERY_S)
            await asyncio.to_thread(self.renewed)

    def _stamps(self) -> tuple[tuple[int, int, int] | None, ...]:
        found: list[tuple[int, int, int] | None] = []
        for path in (self._chain, self._key):
            try:
                what = path.stat()
                found.append((what.st_mtime_ns, what.st_ino, what.st_size))
            except OSError:
                found.append(None)
        return tuple(found)

    def _context(self) -> ssl.SSLContext:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        context.options |= ssl.OP_NO_COMPRESSION | ssl.OP_NO_RENEGOTIATION
        try:
            # a key that wants a password would stop the service at a question that nobody sees
            context.load_cert_chain(self._chain, self._key, password=_no_password)
        except (ssl.SSLError, OSError, ValueError) as error:
            raise CertificateError(
                f"{self._chain} with {self._key} cannot be served with: {error}"
            ) from error
        return context


def _no_password() -> str:
    raise ValueError("the key wants a password; want one without, readable by the service alone")


class EncryptedListener:
    """Accepts connections on a listening socket, as an `asyncio.Server` is used by the HTTP server."""

    def __init__(
        self,
        bound: socket,
        context: ssl.SSLContext,
        make: Callable[[], asyncio.Protocol],
        refused: RefusedRequest,
    ) -> None:
        bound.setblocking(False)
        self._bound = bound
        self._context = context
        self._make = make
        self._refused = refused
        self._greeted: dict[asyncio.Task[None], str] = {}
        self._accepting = asyncio.create_task(self._accept(), name="https")

    def close(self) -> None:
        """Let nobody in any more."""
        self._accepting.cancel()
        for task in self._greeted:
            task.cancel()

    async def wait_closed(self) -> None:
        """Wait until nobody is being let in."""
        with contextlib.suppress(asyncio.CancelledError):
            await asyncio.wait({self._accepting, *self._greeted})

    async def _accept(self) -> None:
        loop = asyncio.get_running_loop()
        while True:
            try:
                sock, address = await loop.sock_accept(self._bound)
            except OSError as error:  # no more files, say: the listener outlives it
                self._refused.count(f"connections that could not be accepted ({error.strerror})")
                await asyncio.sleep(0.1)
                continue
            self._make_room(address[0])
            task = asyncio.create_task(self._greet(sock))
            self._greeted[task] = address[0]
            task.add_done_callback(lambda done: self._greeted.pop(done, None))

    def _make_room(self, address: str) -> None:
        its_own = [task for task, other in self._greeted.items() if other == address]
        crowd = its_own if len(its_own) >= MOST_GREETED_FROM_ONE else list(self._greeted)
        if len(its_own) >= MOST_GREETED_FROM_ONE or len(self._greeted) >= MOST_GREETED:
            self._refused.count("connections given up while they were being encrypted")
            self._greeted.pop(crowd[0])
            crowd[0].cancel()

    async def _greet(self, sock: socket) -> None:
        loop = asyncio.get_running_loop()
        try:
            await loop.connect_accepted_socket(
                self._make,
                sock,
                ssl=self._context,
                ssl_handshake_timeout=HEAD_S,
                ssl_shutdown_timeout=FAREWELL_S,
            )
        except (OSError, TimeoutError):  # ssl.SSLError is one too
            self._refused.count("connections that were not encrypted in time, or not at all")
        except BaseException:
            sock.close()
            raise
