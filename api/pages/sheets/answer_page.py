"""The page behind a message's link: what it is about, who has it, and one button. For a phone, without script, in 5 kB."""

from __future__ import annotations

from dataclasses import dataclass

from api.pages.markup.assets import ANSWER_STYLES, ICON
from api.pages.markup.elements import Element, Nodes, el, render
from collector.read_model.answers import LONGEST_MIN

LONGEST_NOTE = 200


@dataclass(frozen=True, slots=True)
class AnswerShown:
    """What is shown of an incident: its title, since when, what to do; who has it, in words, the newest first.

    `as_of`: the clock time that `now`, what stands now, is of.
    """

    person: str
    what: str
    since: str
    do: str
    has_it: tuple[str, ...]
    over: bool
    answered: bool
    as_of: str = ""
    now: tuple[str, ...] = ()


def answer_page(shown: AnswerShown, refusal: str | None = None) -> str:
    """Return the page. `refusal`: why what was posted was not taken."""
    has = [el("p", el("b", words), class_="has") for words in shown.has_it]
    return _document(
        el("h1", shown.what),
        el("p", shown.since),
        el("p", el("b", f"As of {shown.as_of}:")) if shown.now else None,
        el("ul", [el("li", words) for words in shown.now]) if shown.now else None,
        el("p", el("b", "Do: "), shown.do) if shown.do and not shown.over else None,
        has or el("p", "Nobody has said yet that they have it."),
        el("p", refusal, role="alert", class_="no") if refusal else None,
        _form(shown),
    )


def _form(shown: AnswerShown) -> Element:
    if shown.over:
        return el("p", "It is over. There is nothing to answer any more.")
    if shown.answered:
        return el("p", "You answered by this link. To say more, sign in.")
    minutes = el("input", name="minutes", type="number", inputmode="numeric", min="1", max=str(LONGEST_MIN))
    note = el("input", name="note", maxlength=str(LONGEST_NOTE))
    return el(
        "form",
        el("label", "There in, minutes (may be left empty) ", minutes),
        el("label", "A word to the others (may be left empty) ", note),
        el("button", f"I have it: {shown.person}", type="submit"),
        el("p", "Acknowledges every alarm of it under your name, and tells everybody else who was told."),
        method="post",
    )


def no_answer_page(why: str) -> str:
    """Return the page for a link that is none, or is over."""
    return _document(el("h1", "Nothing to answer here"), el("p", why))


def _document(*body: Nodes) -> str:
    head = el(
        "head",
        el("meta", charset="utf-8"),
        el("meta", name="viewport", content="width=device-width,initial-scale=1"),
        el("meta", name="color-scheme", content="light dark"),
        el("meta", name="robots", content="noindex"),
        el("title", "Answer · ridethrough"),
        el("link", rel="icon", href=ICON.url, type="image/svg+xml"),
        el("link", rel="stylesheet", href=ANSWER_STYLES.url),
    )
    top = el("header", el("a", "ridethrough", href="/"))
    page = el("html", head, el("body", top, el("main", body)), lang="en-GB")
    return "<!doctype html>\n" + render(page) + "\n"
