"""A page that shows nothing of the plant and needs no script: signing in, an account, what went wrong."""

from __future__ import annotations

from api.pages.markup.assets import ICON, STYLES
from api.pages.markup.elements import Nodes, el, render
from api.pages.markup.marks import emblem


def plain_document(title: str, *body: Nodes) -> str:
    """Return the whole page."""
    head = el(
        "head",
        el("meta", charset="utf-8"),
        el("meta", name="viewport", content="width=device-width,initial-scale=1"),
        el("meta", name="color-scheme", content="light dark"),
        el("title", f"{title} · ridethrough"),
        el("link", rel="icon", href=ICON.url, type="image/svg+xml"),
        el("link", rel="stylesheet", href=STYLES.url),
    )
    top = el("header", el("a", emblem(), "ridethrough", class_="mark", href="/"), class_="head")
    page = el("html", head, el("body", top, el("main", body, id="main")), lang="en-GB")
    return "<!doctype html>\n" + render(page) + "\n"
