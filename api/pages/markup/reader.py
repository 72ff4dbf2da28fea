"""Who reads a page. Pages are drawn once for all who look; what is one reader's own is put in when theirs is sent.

Each such place is an element that is always written the same; `dressed` puts the reader's own in its stead. Where nobody
is known the page is sent as it was drawn, and asks for a name.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from api.http.said import LONGEST_NAME
from api.pages.markup.elements import Element, el, render

CSRF: Final = "csrf"


@dataclass(frozen=True, slots=True)
class PageReader:
    """Who reads. `name` None: nobody who is known; `proof`: what shows that a request is this session's own."""

    name: str | None = None
    proof: str | None = None
    acts: bool = True
    """Whether what people do is theirs to do."""


NOBODY: Final = PageReader()


def name_field() -> Element:
    """Return the field in which somebody who is not known says their name."""
    field = el("input", name="by", required=True, autocomplete="name", maxlength=str(LONGEST_NAME))
    return el("label", "Your name ", field)


def password_again() -> Element:
    """Return the place where somebody who is known shows their password again."""
    return el("span", class_="again")


def proof_field() -> Element:
    """Return the field that proves where a form comes from."""
    return el("input", name=CSRF, type="hidden", value="")


def proof_meta() -> Element:
    """Return the same for the page's script."""
    return el("meta", name=CSRF, content="")


def reader_place() -> Element:
    """Return the place in a page's head that says who reads it."""
    return el("span", id="reader")


def dressed(html: str, reader: PageReader) -> str:
    """Return a page, or a part of one, as its reader gets it."""
    if reader.name is None:
        return html
    for drawn, own in _places(reader):
        html = html.replace(drawn, own)
    return html


def _places(reader: PageReader) -> tuple[tuple[str, str], ...]:
    name = reader.name or ""
    proof = reader.proof or ""
    field = el("input", name="password", type="password", required=True, autocomplete="current-password")
    again = el("label", "Your password, again ", field) if reader.proof is not None else password_again()
    link = el("a", name, href="/account") if reader.proof is not None else name
    body = "" if reader.acts else ' data-looks="only"'
    return (
        (render(name_field()), render(el("small", f"As {name}."))),
        (render(password_again()), render(again)),
        (render(proof_field()), render(el("input", name=CSRF, type="hidden", value=proof))),
        (render(proof_meta()), render(el("meta", name=CSRF, content=proof))),
        (render(reader_place()), render(el("span", link, id="reader"))),
        ("<body ", f"<body{body} "),
    )
