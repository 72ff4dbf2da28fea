"""What need not be sent is not: the head alone where only that is asked for, nothing where the asker has it, else packed.

* HEAD is answered as GET would be, without the body (RFC 9110 9.3.2).
* Every whole answer has an entity tag, of what it says; whoever asks with the tag in `If-None-Match` gets 304 (RFC 9110
  8.8.3, 13.1.2). The tag is weak: packed and unpacked answers have the same.
* Text of a kilobyte and more is packed with gzip for whoever takes that (RFC 9110 8.4, 12.5.3). What was packed lately is
  kept, so files and a page that many look at are packed once. A page of somebody who is signed in is not packed.

Streams pass as they are. Nothing is stored anywhere by this: what may be kept stands in `Cache-Control`, which is left alone.
"""

from __future__ import annotations

import asyncio
import zlib
from collections import OrderedDict
from collections.abc import Iterable
from hashlib import blake2b
from typing import Final

from starlette.types import ASGIApp, Message, Receive, Scope, Send

LEAST_BYTES: Final = 1024
"""Less is not worth packing."""
LEVEL: Final = 5
LOOP_BYTES: Final = 128 * 1024
"""More is packed beside the event loop: it would keep it for over 5 ms."""
KEPT: Final = 32
KEPT_BYTES: Final = 128 * 1024
"""So many answers are kept packed, none of them larger than this."""
TEXTS: Final = (
    b"text/",
    b"application/json",
    b"application/problem+json",
    b"application/openmetrics-text",
    b"image/svg+xml",
)
PAGE: Final = b"text/html"
OWN: Final = "own"
"""What the request's state says where its pages hold the proof of a session: packed together with what somebody else chose,
a secret tells of itself by the length of the whole (RFC 9325 clause 3.3)."""
STREAM: Final = b"text/event-stream"

Headers = list[tuple[bytes, bytes]]


class Sparing:
    """ASGI layer: answers HEAD, names every answer by what it says, and packs it."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app
        self._packed: OrderedDict[bytes, bytes] = OrderedDict()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, and send no more of its answer than is needed."""
        if scope["type"] != "http" or scope["method"] not in {"GET", "HEAD"}:
            await self._app(scope, receive, send)
            return
        head_only = scope["method"] == "HEAD"
        asked = {
            name: value for name, value in scope["headers"] if name in {b"if-none-match", b"accept-encoding"}
        }
        own = bool(scope.get("state", {}).get(OWN))
        begun: Message | None = None
        passing = False
        over = asyncio.Event()

        async def answer(message: Message) -> None:
            nonlocal begun, passing
            if over.is_set():
                return
            if message["type"] == "http.response.start":
                begun = message
                return
            if passing or begun is None or message["type"] != "http.response.body":
                await send(message)
                return
            in_parts = message.get("more_body", False)  # it is not held back until it is whole
            if in_parts or _value(begun.get("headers", ()), b"content-type").startswith(STREAM):
                passing = True
                start, body = begun, message.get("body", b"")
            else:
                start, body = await self._spared(begun, message.get("body", b""), asked, own=own)
            await send(start)
            if head_only:
                over.set()
                in_parts, body = False, b""
            await send({"type": "http.response.body", "body": body, "more_body": in_parts})

        async def gone() -> Message:
            await over.wait()  # a stream that is asked for its head alone has lost its reader
            return {"type": "http.disconnect"}

        inner = {**scope, "method": "GET"} if head_only else scope
        await self._app(inner, gone if head_only else receive, answer)

    async def _spared(
        self, start: Message, body: bytes, asked: dict[bytes, bytes], *, own: bool
    ) -> tuple[Message, bytes]:
        """Return the head and the body of an answer as they are to be sent."""
        headers: Headers = list(start.get("headers", ()))
        if start["status"] != 200:
            return start, body
        tag = blake2b(body, digest_size=12).hexdigest().encode()
        varies = b", ".join(filter(None, (_value(headers, b"vary"), b"Accept-Encoding")))
        headers = [*_without(headers, b"etag", b"vary"), (b"etag", b'W/"' + tag + b'"'), (b"vary", varies)]
        if _names(asked.get(b"if-none-match", b""), tag):
            kept = _without(headers, b"content-length", b"content-type")
            return {**start, "status": 304, "headers": kept}, b""
        kind = _value(headers, b"content-type")
        text = kind.startswith(TEXTS) and not _value(headers, b"content-encoding")
        text = text and not (own and kind.startswith(PAGE))
        if len(body) >= LEAST_BYTES and text and takes_gzip(asked.get(b"accept-encoding", b"")):
            body = await self._pack(tag, body)
            headers = [
                *_without(headers, b"content-length"),
                (b"content-encoding", b"gzip"),
                (b"content-length", str(len(body)).encode()),
            ]
        return {**start, "headers": headers}, body

    async def _pack(self, tag: bytes, body: bytes) -> bytes:
        kept = self._packed.get(tag)
        if kept is not None:
            self._packed.move_to_end(tag)
            return kept
        packed = pack(body) if len(body) <= LOOP_BYTES else await asyncio.to_thread(pack, body)
        if len(packed) <= KEPT_BYTES:
            self._packed[tag] = packed
            while len(self._packed) > KEPT:
                self._packed.popitem(last=False)
        return packed


def pack(body: bytes) -> bytes:
    """Return a body packed with gzip (RFC 1952), the same for the same body: no time stands in it."""
    packer = zlib.compressobj(LEVEL, zlib.DEFLATED, 31)
    return packer.compress(body) + packer.flush()


def takes_gzip(accepted: bytes) -> bool:
    """Return whether `Accept-Encoding` allows gzip: named, or by `*`, and not with a weight of nought."""
    weights: dict[bytes, float] = {}
    for part in accepted.lower().split(b","):
        coding, *given = (piece.strip() for piece in part.split(b";"))
        weight = next((piece[2:] for piece in given if piece.startswith(b"q=")), b"1")
        try:
            weights[coding] = float(weight)
        except ValueError:
            weights[coding] = 0.0
    return weights.get(b"gzip", weights.get(b"*", 0.0)) > 0.0


def _names(condition: bytes, tag: bytes) -> bool:
    """Return whether `If-None-Match` names a tag; tags are compared weakly, so whether one calls itself weak is no matter."""
    given = (part.strip().removeprefix(b"W/").strip(b'"') for part in condition.split(b","))
    return condition.strip() == b"*" or tag in given


def _value(headers: Iterable[tuple[bytes, bytes]], name: bytes) -> bytes:
    return next((value for key, value in headers if key.lower() == name), b"")


def _without(headers: Iterable[tuple[bytes, bytes]], *names: bytes) -> Headers:
    return [(key, value) for key, value in headers if key.lower() not in names]
