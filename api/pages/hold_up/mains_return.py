"""What came back after an outage, mains or generator; where nobody knows, somebody is asked to say."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from typing import Final
from urllib.parse import quote

from api.pages.markup.elements import Element, Nodes, el
from api.pages.markup.form_button import act
from api.pages.markup.format import iso
from api.pages.markup.frame import question, slug
from collector.read_model.sheet import Sheet, SupplyReturn
from collector.read_model.wall_clock import WallClock

ASKED_FOR: Final = timedelta(days=31)
"""How long somebody is asked what an outage ended with; nobody remembers longer."""
FRESH_FOR: Final = timedelta(days=1)
"""How long it is the first thing asked on a system's sheet."""
MOST: Final = 5
CHOICES: Final = (("generator", "the generator"), ("mains", "the mains"), ("unknown", "not known"))


def asks(sheet: Sheet, supplies: Sequence[str]) -> bool:
    """Return whether somebody may still know what these supplies came back on, and is asked first of all."""
    return any(
        not r.known and r.supply in supplies and sheet.now - r.lost_at < FRESH_FOR for r in sheet.returns
    )


def returned(sheet: Sheet, supplies: Sequence[str], *, id_: str = "returned") -> Element | None:
    """Return what these supplies came back on lately: all that nobody knows yet, and the last that is known."""
    lately = [r for r in sheet.returns if r.supply in supplies and sheet.now - r.lost_at < ASKED_FOR]
    lately.sort(key=lambda r: r.lost_at, reverse=True)
    shown = [r for r in lately if not r.known or r is lately[0]][:MOST]
    if not shown:
        return None
    listed = el("ol", [_row(sheet, one) for one in shown], class_="say-list")
    return question(
        None,
        "What the supply came back on",
        "No card tells a generator from the mains. Starts of the generator are learnt only from what is known.",
        el("div", listed, id=id_, live=True),
        id_=f"q-{id_}",
    )


def _row(sheet: Sheet, one: SupplyReturn) -> Element:
    site = sheet.estate.sites.get(sheet.estate.supplies[one.supply].site)
    clock = WallClock(site.time_zone if site else "UTC", sheet.now)
    head = f"{one.name}, lost {clock.on(one.lost_at)}, {clock.second(one.lost_at)}. "
    form: Nodes = None
    if sheet.acts:
        form = el("div", _form(one), class_="acts")
    return el(
        "li",
        el("div", el("p", el("b", head), one.because, class_="say"), form),
        data_outage=f"{slug(one.supply)}-{iso(one.lost_at)}",
    )


def _form(one: SupplyReturn) -> Element:
    options: list[Nodes] = [el("option", "…", value="")]
    options += [el("option", words, value=value) for value, words in CHOICES]
    return act(
        f"/v1/incidents/{quote(one.incident, safe='')}/mark",
        "Mark otherwise…" if one.known else "Mark it…",
        one.incident,
        [
            el("label", "It came back on ", el("select", options, name="source", required=True)),
            el("input", type="hidden", name="lost_at", value=one.lost_at.isoformat()),
        ],
        quiet=one.known,
    )
