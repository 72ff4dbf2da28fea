"""What may be asked of a large estate: words to find, and parts of it; the address holds what was asked."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Final

from api.pages.estate import tally
from api.pages.markup.elements import Element, el
from collector.read_model.rows.site_rows import LONGEST_FIND, Asked, Only
from collector.read_model.rows.system_row import system_rows
from collector.read_model.sheet import Sheet

PARTS: Final[Mapping[Only, str]] = {
    Only.SHORT: "short",
    Only.CANNOT_TELL: "cannot tell",
    Only.NOT_REDUNDANT: "not redundant",
    Only.WRONG: "something wrong",
    Only.ORDER: "order within a year",
    Only.NOT_OUT: "no unit out",
    Only.PLANNED: "shutdown signed",
}


def finding(sheet: Sheet, asked: Asked, counted: Mapping[Only, int]) -> Element:
    """Return the form: a field, and the parts as links with their counts."""
    hidden = [
        el("input", type="hidden", name=name, value=value)
        for name, value in (("site", asked.site), ("only", asked.only))
        if value
    ]
    field = el(
        "label",
        "Find ",
        el(
            "input",
            type="search",
            name="find",
            id="find",
            value=asked.find,
            maxlength=str(LONGEST_FIND),
            placeholder="system, unit, bank …",
            autocomplete="off",
        ),
    )
    links = [_part(asked, None, f"all {len(sheet.estate.systems)}")]
    lost = tally.lost_words(system_rows(sheet))
    links += [
        _part(asked, only, f"{words}{lost if only is Only.SHORT else ''} {counted[only]}")
        for only, words in PARTS.items()
        if counted[only] or asked.only is only
    ]
    chosen = None
    if asked.site is not None:
        site = sheet.estate.sites.get(asked.site)
        name = asked.site if site is None else site.name
        chosen = el(
            "span",
            "site: ",
            el("b", name),
            " ",
            el("a", "all sites", href=replace(asked, site=None).address()),
        )
    return el(
        "form",
        field,
        hidden,
        el("button", "Find", class_="btn sm quiet", type="submit"),
        chosen,
        el("span", links, class_="only"),
        class_="find",
        method="get",
        action="/",
        role="search",
    )


def _part(asked: Asked, only: Only | None, words: str) -> Element:
    return el(
        "a",
        words,
        href=replace(asked, only=only).address(),
        aria_current="true" if asked.only is only else None,
        id=f"only-{only.value if only else 'all'}",
        live=True,
    )
