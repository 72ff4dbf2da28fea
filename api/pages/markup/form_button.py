"""A form behind a button: somebody does something, with their name. It works without script (`api.http.forms`)."""

from __future__ import annotations

from api.pages.markup.elements import Element, Nodes, el
from api.pages.markup.reader import name_field, proof_field


def act(action: str, words: str, about: str, fields: Nodes, *, quiet: bool = False) -> Element:
    """Return a button that opens a form posting to `action`. `about`: what it is done to, for the script."""
    return el(
        "details",
        el("summary", words, class_="btn quiet" if quiet else "btn"),
        el(
            "form",
            proof_field(),
            name_field(),
            fields,
            el("button", words.rstrip("…"), type="submit", class_="btn"),
            method="post",
            action=action,
            data_act=about,
        ),
        class_="act",
    )
