"""Runs the service and its HTTP server as one: both start, both stop, one failure ends both.

The signals are ours (the server's own handlers are off): SIGTERM or SIGINT asks both to stop, and the process is
gone within two seconds as a rule, within five whatever happens (`api.ending`). A second signal ends it at once. SIGHUP
has the estate file read again (`api.rereading`).
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import socket
from collections.abc import Callable, Iterator
from typing import Final, cast

import uvicorn
from starlette.types import ASGIApp

from api.ending import Ending
from api.http.connection import protocol_of
from api.http.doors import Doors
from api.http.tls import Certificate, EncryptedListener
from api.rereading import read_again
from collector.process.loop_tuning import favour_the_loop
from collector.process.service_manager import notify, watchdog_period_s
from collector.service.service import Service

SENT_UNREAD_BYTES: Final = 128 * 1024


class PortTakenError(OSError):
    """The address to serve at cannot be had; the text says which and what to do."""


def listen(host: str, port: int) -> socket.socket:
    """Return a listening socket. Raises PortTakenError."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        bound = socket.create_server((host, port), family=family, backlog=256)
    except OSError as error:
        raise PortTakenError(
            f"cannot serve at {host} port {port}: {error.strerror}; is another one running? --port names another"
        ) from error
    # inherited by every connection: else the kernel would take megabytes of answers that nobody reads
    bound.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SENT_UNREAD_BYTES)
    return bound


class _Server(uvicorn.Server):
    """The HTTP server without signal handlers of its own; says when it serves. Encrypts where there is a certificate."""

    def __init__(self, config: uvicorn.Config, doors: Doors, certificate: Certificate | None) -> None:
        super().__init__(config)
        self.serving = asyncio.Event()
        self._doors = doors
        self._certificate = certificate

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Start, and say so."""
        if self._certificate is None:
            await super().startup(sockets)
        else:
            await super().startup([])
            for bound in sockets or ():
                listener = EncryptedListener(
                    bound, self._certificate.context, self._connection, self._doors.refused
                )
                self.servers.append(cast("asyncio.Server", listener))
        self.serving.set()

    def _connection(self) -> asyncio.Protocol:
        make = cast("Callable[..., asyncio.Protocol]", self.config.http_protocol_class)
        return make(config=self.config, server_state=self.server_state, app_state=self.lifespan.state)

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Leave the signals to the composition root."""
        yield


async def serve(
    service: Service,
    app: ASGIApp,
    bound: socket.socket,
    doors: Doors,
    *,
    ending: Ending | None = None,
    certificate: Certificate | None = None,
) -> None:
    """Run an opened service and its app until a signal comes or one of them fails; `ending` begins then.

    With a `certificate` every connection is encrypted.
    """
    server = _Server(
        uvicorn.Config(
            app,
            http=cast("type[asyncio.Protocol]", protocol_of(doors)),
            ws="none",
            log_level="error",  # what it warns of, the doors count
            log_config=None,
            access_log=False,
            lifespan="off",
            server_header=False,
            timeout_graceful_shutdown=1,
            h11_max_incomplete_event_size=32 * 1024,
        ),
        doors,
        certificate,
    )
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()

    def asked() -> None:
        if stop.is_set():
            os._exit(1)  # asked twice: the person at the terminal means it
        if ending is not None:
            ending.begin()
        stop.set()

    for name in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(name, asked)
    read_anew = asyncio.Event()
    loop.add_signal_handler(signal.SIGHUP, read_anew.set)
    favour_the_loop()
    try:
        async with asyncio.TaskGroup() as group:
            collecting = group.create_task(service.run(), name="service")
            serving = group.create_task(server.serve(sockets=[bound]), name="http")
            beside = [
                group.create_task(_feed_watchdog(service), name="watchdog"),
                group.create_task(_read_again(service, read_anew), name="estate file"),
            ]
            if certificate is not None:
                beside.append(group.create_task(certificate.keep_looking(), name="certificate"))
            await server.serving.wait()
            notify("READY=1")
            await stop.wait()
            notify("STOPPING=1")
            server.should_exit = True
            service.stop()
            for task in beside:
                task.cancel()
            await asyncio.wait({collecting, serving}, timeout=1.5)
            serving.cancel()  # the service goes on asking its own tasks, which is not to be cut short
    finally:
        if ending is not None:
            ending.begin()
        loop.add_signal_handler(signal.SIGHUP, _nothing)  # a hang-up ends nothing, and removed it would
        for name in (signal.SIGTERM, signal.SIGINT):
            loop.remove_signal_handler(name)
        bound.close()


def _nothing() -> None:
    pass


async def _read_again(service: Service, asked: asyncio.Event) -> None:
    """Read the estate file again each time it is asked for."""
    while True:
        await asked.wait()
        asked.clear()
        await read_again(service.configuration)


async def _feed_watchdog(service: Service) -> None:
    """Tell the manager that we live, as long as the service's own loop turns."""
    period_s = watchdog_period_s()
    if period_s is None:
        return
    while True:
        if service.turning():
            notify("WATCHDOG=1")
        await asyncio.sleep(period_s)
