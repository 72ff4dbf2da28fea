"""What a person sees in place of a problem document: what went wrong, in words, and the way back.

A program gets the document (RFC 9457). Whoever asks for a page (`Accept: text/html`), and whoever's browser posted a form
without script, gets this page with the same status: of an unknown address, of a form that was refused, of a fault of ours. It
asks nothing of the service, so it is there also while a store is not.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from http import HTTPStatus
from typing import Any, Final
from urllib.parse import quote

from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.http.forms import way_back
from api.http.problems import MEDIA_TYPE
from api.pages.markup.assets import csp_header, headers
from api.pages.markup.elements import Nodes, el
from api.pages.markup.plain import plain_document

HEADINGS: Final[Mapping[int, str]] = {
    401: "Sign in first",
    403: "Not let in",
    404: "Nothing is here",
    405: "Not done in this way",
    408: "It took too long",
    409: "Not as things stand",
    413: "Too much at once",
    422: "Not understood",
    429: "Too many tries",
    500: "A fault of ours",
    503: "Not just now",
}
"""What the page is headed by, by status; of another the standard's own phrase."""


def problem_page(status: int, detail: str, before: str | None, asked: str) -> str:
    """Return the page. `before`: the page it was asked from, None where that is not known; `asked`: the address."""
    back: Nodes = el("a", "The overview", href="/")
    if before is not None:
        back = (el("a", "Back to the page before", href=before), " · ", back)
    if status == HTTPStatus.UNAUTHORIZED:
        back = (el("a", "Sign in", href=f"/sign-in?next={quote(before or '/', safe='')}"), " · ", back)
    heading = HEADINGS.get(status) or HTTPStatus(status).phrase
    return plain_document(
        heading,
        el("h1", heading),
        el("p", detail, role="alert"),
        el("p", back),
        el("p", f"{asked} · {status}", class_="why"),
    )


class ProblemPages:
    """ASGI layer: problem documents become pages for whoever asked for a page."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on; a problem that comes back is told in the form that was asked for."""
        if scope["type"] != "http" or scope["method"] == "HEAD" or not _wants_a_page(scope):
            await self._app(scope, receive, send)
            return
        status, parts = 0, bytearray()
        kept: list[tuple[bytes, bytes]] = []

        async def answer(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start" and _is_problem(message):
                status = message["status"]
                kept.extend(one for one in message["headers"] if one[0].lower() in _KEPT)
            elif status and message["type"] == "http.response.body":
                parts.extend(message.get("body", b""))
                if not message.get("more_body", False):
                    page = _page(scope, status, bytes(parts))
                    page.raw_headers.extend(kept)
                    await page(scope, receive, send)
            else:
                await send(message)

        await self._app(scope, receive, answer)


_KEPT: Final = frozenset((b"www-authenticate", b"retry-after", b"strict-transport-security", b"allow"))


def _wants_a_page(scope: Scope) -> bool:
    return any(name == b"accept" and b"text/html" in value.lower() for name, value in scope["headers"])


def _is_problem(message: Message) -> bool:
    return any(
        name.lower() == b"content-type" and value.startswith(MEDIA_TYPE.encode())
        for name, value in message["headers"]
    )


def _page(scope: Scope, status: int, body: bytes) -> Response:
    found: dict[str, Any] = json.loads(body)
    said = {name.decode("latin-1"): value.decode("latin-1") for name, value in scope["headers"]}
    before = way_back(said)
    html = problem_page(
        status, str(found["detail"]), None if before == scope["path"] else before, scope["path"]
    )
    more = dict([csp_header(), *headers().items(), ("Vary", "Accept")])
    return Response(html, status_code=status, media_type="text/html", headers=more)
