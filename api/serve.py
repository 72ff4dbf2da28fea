"""Runs the service and its HTTP server as one: both start, both stop, one failure ends both.

The signals are ours (the server's own handlers are off): SIGTERM or SIGINT asks both to stop, and the process is
gone within two seconds as a rule, within five whatever happens (`api.exit_deadline`). A second signal ends it at once. SIGHUP
has the estate file read again (`api.rereading`); what is taken over is taken by a service that follows the one that ran.
"""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import logging
import os
import signal
import socket
from collections.abc import Awaitable, Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final, Protocol, cast

import uvicorn
from starlette.types import ASGIApp, Receive, Scope, Send

from api.exit_deadline import Ending
from api.http.connection import protocol_of
from api.http.doors import Doors
from api.http.tls import Certificate, EncryptedListener
from api.rereading import Reread, keep_outcome, read_again
from collector.process.loop_tuning import favour_the_loop
from collector.process.service_manager import notify, watchdog_period_s
from collector.read_model.running import RunningSource

log = logging.getLogger(__name__)
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


class NotOpenedError(Exception):
    """A service could not be opened on a changed estate file; the text says why."""


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


class Served(RunningSource, Protocol):
    """What is run and served: the service of a site, or a centre."""

    @property
    def folder(self) -> Path:
        """Return where it keeps what it keeps."""

    def stop(self) -> None:
        """Ask `run` to end."""

    async def run(self) -> None:
        """Run until `stop`."""

    async def close(self) -> None:
        """Close everything."""


@dataclass(frozen=True, slots=True)
class Successors:
    """Opens the service that follows another on what is to be taken over, and makes its application."""

    open: Callable[[Reread], Awaitable[Served]]
    """Raises NotOpenedError."""
    app: Callable[[Served], ASGIApp]


class _Switch:
    """ASGI layer: the application of the service that runs now. While one follows another, requests wait."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app
        self._there = asyncio.Event()
        self._there.set()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        await self._there.wait()
        await self._app(scope, receive, send)

    def hold(self) -> None:
        """Let requests wait."""
        self._there.clear()

    def go_on(self, app: ASGIApp) -> None:
        """Let them through to an application."""
        self._app = app
        self._there.set()


class _Running:
    """The service that runs now, and the ones that follow it in this process."""

    def __init__(self, service: Served, app: ASGIApp, successors: Successors | None) -> None:
        self.service = service
        self.switch = _Switch(app)
        self._successors = successors
        self._following: Reread | None = None
        self._followed = asyncio.Event()
        self._stopping = False

    async def run(self) -> None:
        """Run one after the other until `stop`. A fault in shared machinery is raised."""
        while not self._stopping:
            await self.service.run()
            if self._following is not None:
                await self._exchange(self._following)

    def stop(self) -> None:
        """Ask for the end."""
        self._stopping = True
        self.service.stop()

    async def read_again(self) -> None:
        """Read the estate file again, take over what it says or say why not, and keep what came of it."""
        if self._successors is None:
            found = Reread(
                ("It goes on with what it began with: only a restart takes anything over.",), False
            )
        else:
            found = await read_again(self.service.configuration)
        if found.following is not None:
            self._followed.clear()
            self._following = found
            self.service.stop()
            await self._followed.wait()
            if self.service.configuration is not found.following:
                said = "It could not be taken over; the log says why. The service goes on as it was."
                found = Reread((*found.said, said), False)
        try:
            await asyncio.to_thread(keep_outcome, self.service.folder, self.service.configuration, found)
        except OSError as error:
            log.warning("what came of reading the estate file again could not be kept: %s", error)

    async def _exchange(self, found: Reread) -> None:
        """Close the service that ran, and open the next; one that cannot be opened leaves the configuration as it was."""
        before, successors = self.service, self._successors
        self._following = None
        if successors is None or self._stopping:
            return
        self.switch.hold()
        await before.close()
        try:
            self.service = await successors.open(found)
        except NotOpenedError as error:
            log.warning("the changed estate file could not be taken over: %s", error)
            self.service = await successors.open(replace(found, following=before.configuration))
        self.switch.go_on(successors.app(self.service))
        self._followed.set()


async def serve(
    service: Served,
    app: ASGIApp,
    bound: socket.socket,
    doors: Doors,
    *,
    ending: Ending | None = None,
    certificate: Certificate | None = None,
    successors: Successors | None = None,
) -> None:
    """Run an opened service and its app until a signal comes or one of them fails; `ending` begins then.

    With a `certificate` every connection is encrypted. `successors` make what follows on a changed estate file.
    """
    running = _Running(service, app, successors)
    server = _Server(
        uvicorn.Config(
            running.switch,
            http=cast("type[asyncio.Protocol]", protocol_of(doors)),
            ws="none",
            log_level="error",  # what it warns of, the doors count
            log_config=None,
            access_log=False,
            lifespan="off",
            server_header=False,
            proxy_headers=False,  # else whoever asks from this machine says which address they ask from
            timeout_graceful_shutdown=1,
            h11_max_incomplete_event_size=32 * 1024,
        ),
        doors,
        certificate,
    )
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()

    times_asked = itertools.count(1)
    if ending is not None:
        ending.stand_by()

    def asked(_number: int, _frame: object) -> None:
        """Count from the signal on: the loop may be long in hearing of it, where much goes on."""
        if next(times_asked) > 1:
            os._exit(1)  # asked twice: the person at the terminal means it
        if ending is not None:
            ending.begin()
        loop.call_soon_threadsafe(stop.set)

    before = {name: signal.signal(name, asked) for name in (signal.SIGTERM, signal.SIGINT)}
    read_anew = asyncio.Event()
    loop.add_signal_handler(signal.SIGHUP, read_anew.set)
    favour_the_loop()
    try:
        async with asyncio.TaskGroup() as group:
            collecting = group.create_task(running.run(), name="service")
            serving = group.create_task(server.serve(sockets=[bound]), name="http")
            beside = [
                group.create_task(_feed_watchdog(running), name="watchdog"),
                group.create_task(_read_again(running, read_anew), name="estate file"),
            ]
            if certificate is not None:
                beside.append(group.create_task(certificate.keep_looking(), name="certificate"))
            await server.serving.wait()
            notify("READY=1")
            await stop.wait()
            notify("STOPPING=1")
            server.should_exit = True
            running.stop()
            for task in beside:
                task.cancel()
            await asyncio.wait({collecting, serving}, timeout=1.5)
            serving.cancel()  # the service goes on asking its own tasks, which is not to be cut short
    finally:
        if ending is not None:
            ending.begin()
        loop.add_signal_handler(signal.SIGHUP, _nothing)  # a hang-up ends nothing, and removed it would
        for name, handler in before.items():
            signal.signal(name, handler)
        bound.close()
        await running.service.close()


def _nothing() -> None:
    pass


async def _read_again(running: _Running, asked: asyncio.Event) -> None:
    """Read the estate file again each time it is asked for."""
    while True:
        await asked.wait()
        asked.clear()
        await running.read_again()


async def _feed_watchdog(running: _Running) -> None:
    """Tell the manager that we live, as long as the service's own loop turns."""
    period_s = watchdog_period_s()
    if period_s is None:
        return
    while True:
        if running.service.turning():
            notify("WATCHDOG=1")
        await asyncio.sleep(period_s)
