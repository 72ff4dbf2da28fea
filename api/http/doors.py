"""The doors of the HTTP server: how much may come in, how slowly, and from how many at once.

Whoever can reach the port can open connections and say nothing, or say it slowly, or never end. So every wait for
somebody else has a deadline, and what is only waited for makes room for what comes:

* A request's head must be there within `HEAD_S`, its body within `BODY_S` more, and be no longer than
  `LARGEST_BODY_BYTES`: a length that is announced is refused before any of it is read. An answer of which nothing is
  taken for `TAKING_S` is given up.
* There are `MOST_CONNECTIONS` in all and `MOST_FROM_ONE` for one address. Where they are taken the connection that has
  been waited for the longest makes room: one without a whole request, or one that does not take its answer. So newcomers
  get in as long as not all are being answered, and those are bounded by `PLACES`.
* This machine's own addresses may have all connections, since a proxy here brings everybody under one of them. A proxy
  should set limits by its clients' addresses itself; what it is told of them we cannot prove.
* Requests that are being worked out have `PLACES` by what they ask for: `/health` and the pages have their own, so neither waits for
  the other, nor for programs that ask much.

What is refused is counted, and told in one line of the log a minute.
"""

from __future__ import annotations

import asyncio
import ipaddress
import logging
from collections import Counter
from typing import Final, Protocol

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.http.problems import document

HEAD_S: Final = 5.0
BODY_S: Final = 10.0
TAKING_S: Final = 30.0
LARGEST_BODY_BYTES: Final = 64 * 1024
MOST_CONNECTIONS: Final = 256
MOST_FROM_ONE: Final = 32
LOG_EVERY_S: Final = 60.0
PLACES: Final = {"health": 16, "page": 48, "other": 64}

_log = logging.getLogger(__name__)


class RefusedRequest:
    """Counts what was refused, by reason; tells the first at once, and what follows once a minute."""

    def __init__(self) -> None:
        self.counted: Counter[str] = Counter()
        self._untold: Counter[str] = Counter()
        self._timer: asyncio.TimerHandle | None = None

    def count(self, why: str) -> None:
        """Count one."""
        self.counted[why] += 1
        self._untold[why] += 1
        if self._timer is None:
            self._tell()

    def _tell(self) -> None:
        self._timer = None
        if self._untold:
            told = "; ".join(f"{why}: {count}" for why, count in sorted(self._untold.items()))
            _log.warning("refused over HTTP: %s", told)
            self._untold.clear()
            self._timer = asyncio.get_running_loop().call_later(LOG_EVERY_S, self._tell)


class Guest(Protocol):
    """A connection, as the doors see it."""

    @property
    def address(self) -> str:
        """Return the address it comes from."""

    @property
    def waited_for(self) -> bool:
        """Return whether the next word or step is the other side's."""

    def make_room(self) -> None:
        """Close at once."""


class Doors:
    """Who is in. `most` and `most_from_one` are as the module says."""

    def __init__(self, most: int = MOST_CONNECTIONS, most_from_one: int = MOST_FROM_ONE) -> None:
        self.refused = RefusedRequest()
        self._most = most
        self._most_from_one = most_from_one
        self._guests: dict[Guest, None] = {}

    def enter(self, guest: Guest) -> bool:
        """Let a connection in, in the place of another where there is no room; return whether it is in."""
        its_own = [one for one in self._guests if one.address == guest.address]
        crowded: list[Guest] | None = None
        if len(its_own) >= self._allowed(guest.address):
            crowded = its_own
        elif len(self._guests) >= self._most:
            crowded = list(self._guests)
        if crowded is not None:
            leaving = next((one for one in crowded if one.waited_for), None)
            if leaving is None:
                self.refused.count("connections while all are being answered")
                return False
            self.refused.count("connections given up for newer ones")
            self.leave(leaving)
            leaving.make_room()
        self._guests[guest] = None
        return True

    def leave(self, guest: Guest) -> None:
        """Forget a connection that has ended; one that is not in is no error."""
        self._guests.pop(guest, None)

    def answered(self, guest: Guest) -> None:
        """Take note that a connection was of use: it is now the last to make room."""
        if guest in self._guests:
            del self._guests[guest]
            self._guests[guest] = None

    def _allowed(self, address: str) -> int:
        try:
            here = not address or ipaddress.ip_address(address).is_loopback
        except ValueError:
            here = False
        return self._most if here else self._most_from_one


class Inside:
    """ASGI layer: a whole body of bounded size before anything is done with it, and a place for each request."""

    def __init__(self, app: ASGIApp, refused: RefusedRequest) -> None:
        self._app = app
        self._refused = refused
        self._under_way: Counter[str] = Counter()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on with its body, or answer why not."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        if _two_lengths(scope):
            self._refused.count("requests that say two lengths")
            why = "Want one length of the body: Content-Length or Transfer-Encoding, once."
            response = document(400, "two-lengths", why, scope["path"])
            response.headers["connection"] = "close"  # what follows on this line may be part of either
            await response(scope, receive, send)
            return
        if scope["method"] not in {"GET", "HEAD"}:
            body = await self._body(scope, receive)
            if body is None:
                return  # whoever asked has gone, or was told that it took too long
            if len(body) > LARGEST_BODY_BYTES:
                self._refused.count("bodies that are too large")
                why = f"Want a body of at most {LARGEST_BODY_BYTES} bytes."
                await document(413, "too-large", why, scope["path"])(scope, receive, send)
                return
            receive = given(body, receive)
        kind = kind_of(scope["path"])
        if kind == "stream":  # bounded by their own number, and open for hours
            await self._app(scope, receive, send)
            return
        if self._under_way[kind] >= PLACES[kind]:
            self._refused.count(f"requests while {PLACES[kind]} of their kind are under way")
            why = "Too much is asked at once; ask again in a moment."
            await document(503, "busy", why, scope["path"], {"retry_after_s": 5})(scope, receive, send)
            return
        self._under_way[kind] += 1
        held = True

        def let_go() -> None:
            nonlocal held
            if held:
                self._under_way[kind] -= 1
                held = False

        async def answer(message: Message) -> None:
            let_go()  # the work is done; how fast the answer is taken is the connection's affair
            await send(message)

        try:
            await self._app(scope, receive, answer)
        finally:
            let_go()

    @staticmethod
    async def _body(scope: Scope, receive: Receive) -> bytes | None:
        """Return the body, or as much of it as shows that it is too long; None where it ended before its end."""
        for name, value in scope["headers"]:
            # as many octets as it says, but of one that says too many none is read
            if name == b"content-length" and int(value) > LARGEST_BODY_BYTES:
                return bytes(LARGEST_BODY_BYTES + 1)
        parts = bytearray()
        while len(parts) <= LARGEST_BODY_BYTES:
            message = await receive()
            if message["type"] != "http.request":
                return None
            parts += message.get("body", b"")
            if not message.get("more_body", False):
                break
        return bytes(parts)


def _two_lengths(scope: Scope) -> bool:
    """Return whether a request's end can be read in two ways, so that a second one may hide in it (RFC 9112, 6.3)."""
    names = [name for name, _ in scope["headers"] if name in {b"content-length", b"transfer-encoding"}]
    return len(names) > 1


def given(body: bytes, after: Receive) -> Receive:
    """Return a `receive` that gives a whole body, and from then on what `after` does."""
    left = [body]

    async def receive() -> Message:
        if left:
            return {"type": "http.request", "body": left.pop(), "more_body": False}
        return await after()

    return receive


def kind_of(path: str) -> str:
    """Return the kind of place that a request takes."""
    if path.startswith("/health/"):
        return "health"
    if path == "/v1/live":
        return "stream"
    return "other" if path.startswith(("/v1/", "/metrics", "/openapi.json")) else "page"


class PlainAnswers:
    """ASGI layer: no answer is taken for another type than it says, and none is kept that does not allow it."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, and add to its answer's headers what they lack."""

        async def answer(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = list(message.get("headers", ()))
                names = {name.lower() for name, _ in headers}
                headers += [(name, value) for name, value in _PLAIN if name not in names]
                message = {**message, "headers": headers}
            await send(message)

        await self._app(scope, receive, answer if scope["type"] == "http" else send)


_PLAIN: Final = ((b"x-content-type-options", b"nosniff"), (b"cache-control", b"no-store"))
