"""The two pages of access: signing in, which tells nothing of the estate, and the account of whoever is signed in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import quote

from api.pages.markup.elements import Element, Nodes, el
from api.pages.markup.plain import plain_document
from api.pages.markup.reader import CSRF


@dataclass(frozen=True, slots=True)
class ShownSession:
    """One session in words: since when, used last when, from where, and whether it is this one."""

    since: str
    used: str
    address: str
    here: bool


def sign_in_page(back_to: str, said: str | None = None, *, openid: bool = False) -> str:
    """Return the page to sign in at. `said`: why the last try was refused; `openid`: the site has a provider."""
    provider = el(
        "p",
        el(
            "a", "Sign in with the site's own account", href=f"/sign-in/openid?next={quote(back_to, safe='')}"
        ),
        ", or by name and password of this service:",
    )
    form = el(
        "form",
        el("p", said, class_="refusal short-ink", role="alert") if said else None,
        el(
            "label", "Name ", el("input", name="name", required=True, autocomplete="username", autofocus=True)
        ),
        _password("Password ", "password", "current-password"),
        el("input", name="next", type="hidden", value=back_to),
        el("button", "Sign in", type="submit", class_="btn"),
        method="post",
        action="/sign-in",
        class_="in",
    )
    return plain_document("Sign in", el("h1", "Sign in"), provider if openid else None, form)


def account_page(
    name: str, may: str, proof: str, sessions: Sequence[ShownSession], said: str | None = None
) -> str:
    """Return the page of a user's own: what they may do, where they are signed in, a new password, the way out."""
    listed = [
        el("li", f"Since {one.since}, used {one.used}, from {one.address}{' (this one)' if one.here else ''}")
        for one in sessions
    ]
    return plain_document(
        "Account",
        el("h1", name),
        el("p", f"Signed in; may {may}. ", el("a", "Back to the sheets", href="/")),
        _form("/sign-out", proof, "Sign out"),
        el("h2", "Signed in from"),
        el("ul", listed),
        _form("/account/sessions", proof, "End all of them"),
        el("h2", "Another password"),
        el("p", "It ends every session of this name, this one too."),
        _form(
            "/account/password",
            proof,
            "Change it",
            el("p", said, class_="refusal short-ink", role="alert") if said else None,
            _password("The password now ", "password", "current-password"),
            _password("The new one, 12 characters or more ", "new", "new-password"),
        ),
    )


def _password(words: str, name: str, kind: str) -> Element:
    return el("label", words, el("input", name=name, type="password", required=True, autocomplete=kind))


def _form(action: str, proof: str, words: str, *fields: Nodes) -> Element:
    return el(
        "form",
        fields,
        el("input", name=CSRF, type="hidden", value=proof),
        el("button", words, type="submit", class_="btn"),
        method="post",
        action=action,
        class_="in",
    )
