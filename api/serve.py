"""Runs the service and its HTTP server as one: both start, both stop, one failure ends both.

The signals are ours (the server's own handlers are off): SIGTERM or SIGINT asks both to stop, and the
process is gone within two seconds. A second signal ends it at once.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import socket
from collections.abc import Iterator

import uvicorn
from starlette.types import ASGIApp

from collector.notify import notify, watchdog_period_s
from collector.service import Service
from collector.turns import favour_the_loop


class PortTakenError(OSError):
    """The address to serve at cannot be had; the text says which and what to do."""


def listen(host: str, port: int) -> socket.socket:
    """Return a listening socket. Raises PortTakenError."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        return socket.create_server((host, port), family=family, backlog=256)
    except OSError as error:
        raise PortTakenError(
            f"cannot serve at {host} port {port}: {error.strerror}; is another one running? --port names another"
        ) from error


class _Server(uvicorn.Server):
    """The HTTP server without signal handlers of its own; says when it serves."""

    def __init__(self, config: uvicorn.Config) -> None:
        super().__init__(config)
        self.serving = asyncio.Event()

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Start, and say so."""
        await super().startup(sockets)
        self.serving.set()

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Leave the signals to the composition root."""
        yield


async def serve(service: Service, app: ASGIApp, bound: socket.socket) -> None:
    """Run an opened service and its app until a signal comes or one of them fails."""
    server = _Server(
        uvicorn.Config(
            app,
            log_config=None,
            access_log=False,
            lifespan="off",
            server_header=False,
            timeout_graceful_shutdown=1,
            h11_max_incomplete_event_size=32 * 1024,
            limit_concurrency=200,
        )
    )
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()

    def asked() -> None:
        if stop.is_set():
            os._exit(1)  # asked twice: the person at the terminal means it
        stop.set()

    for name in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(name, asked)
    favour_the_loop()
    try:
        async with asyncio.TaskGroup() as group:
            collecting = group.create_task(service.run(), name="service")
            serving = group.create_task(server.serve(sockets=[bound]), name="http")
            feeding = group.create_task(_feed_watchdog(service), name="watchdog")
            await server.serving.wait()
            notify("READY=1")
            await stop.wait()
            notify("STOPPING=1")
            server.should_exit = True
            service.stop()
            feeding.cancel()
            await asyncio.wait({collecting, serving}, timeout=1.5)
            collecting.cancel()
            serving.cancel()
    finally:
        for name in (signal.SIGTERM, signal.SIGINT):
            loop.remove_signal_handler(name)
        bound.close()


async def _feed_watchdog(service: Service) -> None:
    """Tell the manager that we live, as long as the service's own loop turns."""
    period_s = watchdog_period_s()
    if period_s is None:
        return
    while True:
        if service.turning():
            notify("WATCHDOG=1")
        await asyncio.sleep(period_s)
