"""One connection to the HTTP server, with a deadline for every wait for the other side. See `api.http.doors`.

An answer that is given before the body has ended ends the connection: what still comes is let go unread, up to a
bound, so that the answer arrives; a socket closed with octets unread would take it back.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from enum import Enum
from functools import partial
from http import HTTPStatus
from typing import Any, Final, cast

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

from api.http.doors import BODY_S, HEAD_S, TAKING_S, Doors
from api.http.problems import MEDIA_TYPE, problem

LINGER_S: Final = 2.0
LINGER_BYTES: Final = 1024 * 1024
"""How long, and for how much, what is sent after an answer is let go unread."""
STOPPING_S: Final = 0.3
"""How long a server that stops waits for the other side's next word or step."""
STOPPED_S: Final = 0.9
"""After so long it waits for no answer of its own either; a little less than the server itself gives its answers."""


class _Wait(Enum):
    """What a connection waits for, and how long it may take."""

    HEAD = HEAD_S
    BODY = BODY_S


class _Way:
    """A transport whose closing is its connection's affair."""

    def __init__(self, transport: asyncio.Transport, close: Callable[[], None]) -> None:
        self._transport = transport
        self.close = close

    def __getattr__(self, name: str) -> Any:  # noqa: ANN401 - whatever the transport has
        return getattr(self._transport, name)


class Connection(H11Protocol):
    """The server's HTTP/1.1 with deadlines."""

    def __init__(self, doors: Doors, **given: Any) -> None:  # noqa: ANN401 - the server's affair
        super().__init__(**given)
        self._doors = doors
        self._wait: _Wait | None = None
        self._deadline: asyncio.TimerHandle | None = None
        self._taking: asyncio.TimerHandle | None = None
        self._left: int | None = None
        """Octets that may still come and are let go, once the last answer of the connection is given."""

    # what the doors ask

    @property
    def address(self) -> str:
        """Return the address it comes from."""
        return self.client[0] if self.client else ""

    @property
    def waited_for(self) -> bool:
        """Return whether the next word or step is the other side's."""
        answering = self.cycle is not None and not self.cycle.response_complete and self._left is None
        return not answering or self._wait is not None or self._taking is not None

    def make_room(self) -> None:
        """Close at once."""
        self.transport.abort()

    # what the event loop calls

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Let it in, if there is room."""
        self._socket = transport
        super().connection_made(cast("asyncio.Transport", _Way(transport, self._close)))
        if self._doors.enter(self):
            self._wait_for(_Wait.HEAD)
        else:
            self._say(503, "busy", "Too many connections are being answered; ask again in a moment.")
            transport.close()

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget it."""
        self._doors.leave(self)
        for timer in (self._deadline, self._taking):
            if timer is not None:
                timer.cancel()
        super().connection_lost(exc)
        self._unset_keepalive_if_required()

    def data_received(self, data: bytes) -> None:
        """Take what came, or let it go."""
        if self._left is not None:
            self._left -= len(data)
            if self._left <= 0:
                self.transport.pause_reading()
            return
        super().data_received(data)
        self._look()

    def pause_writing(self) -> None:
        """Give the other side time to take what was written."""
        super().pause_writing()
        self._watch_taking(self.transport.get_write_buffer_size())

    def resume_writing(self) -> None:
        """Go on writing."""
        super().resume_writing()
        if self._taking is not None:
            self._taking.cancel()
            self._taking = None

    # what the server's own class calls

    def on_response_complete(self) -> None:
        """Wait for the next request; end the connection where the body of this one has not ended."""
        self._doors.answered(self)
        if self.conn.their_state is h11.SEND_BODY:
            self._end()
        if self._left is not None or self.transport.is_closing():
            return
        super().on_response_complete()
        self._look()

    def shutdown(self) -> None:
        """End soon, since the server stops."""
        super().shutdown()
        self.loop.call_later(STOPPING_S, self._stop_waiting)
        self.loop.call_later(STOPPED_S, self._socket.abort)

    def timeout_keep_alive_handler(self) -> None:
        """Close what nobody uses, also where the last answer was not taken."""
        self._doors.leave(self)
        super().timeout_keep_alive_handler()

    def send_400_response(self, msg: str) -> None:
        """Answer what is no request."""
        self._doors.refused.count("what is no HTTP request")
        self._refuse(400, "no-request", msg)

    def _should_upgrade(self) -> bool:
        return False  # there is nothing to upgrade to, and whoever asks for it is answered all the same

    # deadlines

    def _look(self) -> None:
        """Set the deadline that belongs to what is waited for now."""
        if self._left is not None or self.transport.is_closing():
            return
        if self.conn.their_state is h11.SEND_BODY:
            self._wait_for(_Wait.BODY)
        elif self.conn.their_state is h11.IDLE and self.timeout_keep_alive_task is None:
            self._wait_for(_Wait.HEAD)
        else:
            self._wait_for(None)

    def _wait_for(self, what: _Wait | None) -> None:
        if what is self._wait:
            return
        if self._deadline is not None:
            self._deadline.cancel()
        self._wait = what
        self._deadline = None if what is None else self.loop.call_later(what.value, self._too_late)

    def _too_late(self) -> None:
        head = self._wait is _Wait.HEAD
        self._doors.refused.count(f"{'heads' if head else 'bodies'} of requests that did not come in time")
        what = "head" if head else "body"
        limit_s = HEAD_S if head else BODY_S
        self._refuse(408, "too-slow", f"The {what} of the request did not come within {limit_s:g} s.")

    def _watch_taking(self, before: int) -> None:
        if self._taking is not None:
            self._taking.cancel()
        self._taking = self.loop.call_later(TAKING_S, self._look_whether_taken, before)

    def _look_whether_taken(self, before: int) -> None:
        now = self.transport.get_write_buffer_size()
        if now < before:  # slowly, but it takes
            self._watch_taking(now)
            return
        self._doors.refused.count("answers that were not taken")
        self.transport.abort()

    # the end

    def _refuse(self, status: int, kind: str, why: str) -> None:
        """Answer in place of the application where it has not begun to, and end the connection."""
        cycle = self.cycle
        answering = cycle is not None and not cycle.response_complete
        if answering:
            cycle.disconnected = True  # the application is told that nobody waits for its answer
            cycle.message_event.set()
        if not (answering and cycle.response_started):
            self._say(status, kind, why)
        self._end()

    def _say(self, status: int, kind: str, why: str) -> None:
        path = self.scope["path"] if self._wait is _Wait.BODY else None
        body = problem(status, kind, why, path)
        head = (
            f"HTTP/1.1 {status} {HTTPStatus(status).phrase}\r\ncontent-type: {MEDIA_TYPE}\r\n"
            f"content-length: {len(body)}\r\nx-content-type-options: nosniff\r\ncache-control: no-store\r\n"
            "connection: close\r\n\r\n"
        )
        self.transport.write(head.encode() + body)

    def _close(self) -> None:
        """Close, which the server's own class asks for; not on an answer whose question still comes."""
        if self.conn.their_state is h11.SEND_BODY:
            self._end()
        elif not self._socket.is_closing():
            self._socket.close()
            self._abort_after(TAKING_S)  # what is written and not taken would keep it open for ever

    def _end(self) -> None:
        """Say that nothing more is answered, let go what still comes, and close."""
        if self._left is not None or self._socket.is_closing():
            return
        self._wait_for(None)
        self._unset_keepalive_if_required()
        self._left = LINGER_BYTES
        self.flow.resume_reading()
        if self._socket.can_write_eof():  # an encrypted line has no half end
            self._socket.write_eof()
        self._abort_after(LINGER_S)

    def _stop_waiting(self) -> None:
        if self.waited_for:
            self._socket.abort()

    def _abort_after(self, delay_s: float) -> None:
        if self._deadline is not None:
            self._deadline.cancel()
        self._deadline = self.loop.call_later(delay_s, self._socket.abort)


def protocol_of(doors: Doors) -> Callable[..., Connection]:
    """Return what makes the server's connections."""
    return partial(Connection, doors)
