"""The files a page needs beside itself: served from the package, named by their content, kept for good.

A changed file has another name, so a browser never shows a new page with an old sheet of styles.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from hashlib import sha256
from importlib.resources import files
from typing import Final

PREFIX: Final = "/static/"
TYPES: Final = {
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
}
FOREVER: Final = "public, max-age=31536000, immutable"


@dataclass(frozen=True, slots=True)
class Asset:
    """A file to serve as it is, with its type; it may be kept under `FOREVER`."""

    url: str
    body: bytes
    media_type: str


def _load(name: str) -> Asset:
    body = (files("api.pages") / "static" / name).read_bytes()
    stem, dot, suffix = name.rpartition(".")
    return Asset(f"{PREFIX}{stem}.{sha256(body).hexdigest()[:12]}{dot}{suffix}", body, TYPES[dot + suffix])


STYLES: Final = _load("sheet.css")
SCRIPT: Final = _load("sheet.js")
ICON: Final = _load("mark.svg")
ANSWER_STYLES: Final = _load("answer.css")

ASSETS: Final[Mapping[str, Asset]] = {asset.url: asset for asset in (STYLES, SCRIPT, ICON, ANSWER_STYLES)}
"""Every file by its address."""


def asset(path: str) -> Asset | None:
    """Return the file at an address, or None for one that is not there (any more)."""
    return ASSETS.get(path)


def csp_header() -> tuple[str, str]:
    """Return the Content-Security-Policy of every page (CSP level 3): nothing inline, nothing from outside."""
    rules = (
        "default-src 'none'",
        "style-src 'self'",
        "script-src 'self'",
        "img-src 'self'",
        "connect-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    )
    return "Content-Security-Policy", "; ".join(rules)


def headers() -> dict[str, str]:
    """Return the headers of every page. A page is a moment: it is never kept."""
    return dict(
        [
            csp_header(),
            ("X-Content-Type-Options", "nosniff"),
            ("Referrer-Policy", "no-referrer"),
            ("Cache-Control", "no-store"),
        ]
    )
