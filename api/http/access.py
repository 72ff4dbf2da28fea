"""Under which names it may be asked: `Host` and `Origin` are checked on every request.

A page on the internet can make a browser send requests to a service on the same machine, directly or
by a name that it points at 127.0.0.1. Checking `Host` stops the second way, `Origin` the first.
"""

from __future__ import annotations

from collections.abc import Iterable
from urllib.parse import urlsplit

from starlette.types import ASGIApp, Receive, Scope, Send

from api.http.problems import document

LOOPBACK_NAMES = frozenset({"localhost", "127.0.0.1", "::1"})


def host_name(header: str) -> str | None:
    """Return the name in a Host header or an origin's authority, None when it is malformed."""
    try:
        return urlsplit(f"//{header}").hostname
    except ValueError:
        return None


class OnlyFrom:
    """ASGI layer that refuses requests sent under another name or from another site's page."""

    def __init__(self, app: ASGIApp, names: Iterable[str] = LOOPBACK_NAMES) -> None:
        self._app = app
        self._names = frozenset(names)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, or answer with the problem."""
        if scope["type"] not in {"http", "websocket"}:
            await self._app(scope, receive, send)
            return
        why = self._refusal(scope)
        if why is None:
            await self._app(scope, receive, send)
            return
        await document(403, "refused", why, scope["path"])(scope, receive, send)

    def _refusal(self, scope: Scope) -> str | None:
        headers = [(name, value.decode("latin-1")) for name, value in scope["headers"]]
        hosts = [value for name, value in headers if name == b"host"]
        if len(hosts) != 1 or host_name(hosts[0]) not in self._names:
            return f"Host must be one of {', '.join(sorted(self._names))}; `[listen] names` adds others."
        for name, value in headers:
            if name == b"origin" and urlsplit(value).netloc != hosts[0]:
                return "Origin differs from Host: requests from other sites' pages are refused."
        return None
