"""What a page's form does without its script: the same request as with it, then back to the page.

The page's script posts a form's fields as JSON to the form's address. A browser without it posts them
as `application/x-www-form-urlencoded`; this layer makes the same JSON of them, and of an answer that it
was done a way back (303). What was not done is told as the problem it is. Unlike JSON, any site's page can
make a browser post a form, so a form is let in only with an `Origin`, which `api.http.access` compares with
`Host`; the service is asked the time, since a form can only say for how many hours.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from datetime import datetime, timedelta
from typing import Final
from urllib.parse import parse_qsl, urlsplit

from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.http.doors import given
from api.http.problems import document

FORM: Final = "application/x-www-form-urlencoded"
BELOW: Final = "/v1/"
MOST_FIELDS: Final = 20
LONGEST_HOURS: Final = 24.0 * 366.0


class Forms:
    """ASGI layer in front of the interface. `now`: the service's time of day."""

    def __init__(self, app: ASGIApp, now: Callable[[], datetime]) -> None:
        self._app = app
        self._now = now

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, a form as the JSON that its address takes."""
        headers = {
            name.decode("latin-1"): value.decode("latin-1") for name, value in scope.get("headers", ())
        }
        kind = headers.get("content-type", "").partition(";")[0].strip().lower()
        if (
            scope["type"] != "http"
            or scope["method"] != "POST"
            or kind != FORM
            or not scope["path"].startswith(BELOW)
        ):
            await self._app(scope, receive, send)
            return
        if "origin" not in headers:
            why = "A form wants an Origin: this one does not say from which page it comes. Post JSON instead."
            await document(403, "refused", why, scope["path"])(scope, receive, send)
            return
        try:
            body = json.dumps(fields(await _body(receive), self._now())).encode()
        except ValueError as error:
            await document(422, "wrong-input", str(error), scope["path"])(scope, receive, send)
            return
        asked = {**scope, "headers": _as_json(scope["headers"], len(body))}
        await self._app(asked, given(body, receive), _back(scope, headers, receive, send))


def fields(raw: bytes, now: datetime) -> dict[str, str]:
    """Return a form's fields as the interface names them; empty ones are left out. Raises ValueError."""
    try:
        pairs = parse_qsl(
            raw.decode("ascii"), strict_parsing=bool(raw), max_num_fields=MOST_FIELDS, errors="strict"
        )
    except ValueError:
        raise ValueError(f"want a form in UTF-8 with at most {MOST_FIELDS} fields") from None
    found = {name: value for name, value in pairs if value}
    hours = found.pop("hours", None)
    if hours is not None:
        found["until"] = (now + timedelta(hours=_hours(hours))).isoformat()
    return found


def _hours(text: str) -> float:
    try:
        hours = float(text)
    except ValueError:
        hours = -1.0
    if not 0.0 < hours <= LONGEST_HOURS:
        raise ValueError(f"hours: want a number above 0, at most {LONGEST_HOURS:.0f}")
    return hours


async def _body(receive: Receive) -> bytes:
    """Return what was posted; how much that may be, is the doors' affair."""
    parts = bytearray()
    while True:
        message = await receive()
        parts += message.get("body", b"")
        if message["type"] != "http.request" or not message.get("more_body", False):
            return bytes(parts)


def _as_json(headers: list[tuple[bytes, bytes]], length: int) -> list[tuple[bytes, bytes]]:
    kept = [(name, value) for name, value in headers if name not in (b"content-type", b"content-length")]
    return [*kept, (b"content-type", b"application/json"), (b"content-length", str(length).encode())]


def _back(scope: Scope, headers: dict[str, str], receive: Receive, send: Send) -> Send:
    """Return a `send` that answers what was done with the way back, and passes on what was not."""
    done = False

    async def answer(message: Message) -> None:
        nonlocal done
        if message["type"] == "http.response.start" and message["status"] < 300:
            done = True
            back = Response(
                status_code=303, headers={"location": page_before(headers), "cache-control": "no-store"}
            )
            await back(scope, given(b"", receive), send)
        elif not done:
            await send(message)

    return answer


def page_before(headers: dict[str, str]) -> str:
    """Return the path of the page that a form stood on, the sheet of alarms where that is not told."""
    return way_back(headers) or "/alarms"


def way_back(headers: Mapping[str, str]) -> str | None:
    """Return the path of the page of this service that a request came from, None where that is not told."""
    try:
        parts = urlsplit(headers.get("referer", ""))
    except ValueError:
        return None
    here = parts.netloc == headers.get("host") and parts.path.startswith("/")
    return parts.path if here and not parts.path.startswith("//") else None
