"""Printed reports: the same sheets as one file that needs nothing else, for paper (A4) and for the record.

A report has no script, no links, no forms, and every fold is open: who reads it has no page to turn to. When it
was judged and the safety sentence stand on each.
"""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Iterable
from dataclasses import dataclass
from hashlib import sha256
from typing import Final

from api.pages.markup.assets import STYLES
from api.pages.markup.elements import Element, Node, el, render
from api.pages.markup.frame import SAFETY, PageFrame, clock_of
from api.pages.markup.marks import emblem
from api.pages.markup.svg import hatches
from api.pages.plans import programme as programme_section
from api.pages.plans import ride as ride_section
from api.pages.sheets.bank_sheet import bank_page
from api.pages.sheets.front_page import front_page
from api.pages.sheets.overview import index_page
from api.pages.sheets.system_sheet import system_page
from api.pages.units import isolation as isolation_section
from collector.read_model.sheet import Sheet, ShownIsolation
from rules.phrasing.safety import ADVICE_ONLY
from rules.planning.programme.programme import Programme
from rules.planning.ridethrough.result import Ridethrough

LEFT_OUT: Final = frozenset({"form", "button", "input", "select", "textarea", "script"})
"""Tags of which paper has no use."""


@dataclass(frozen=True, slots=True)
class Report:
    """One report: its title and what it says."""

    title: str
    body: tuple[Element, ...]


def estate_report(sheet: Sheet, programme: Programme) -> Report:
    """Return the report of everything: a first page to be read in a minute, the overview, each system in depth, the programme."""
    parts = [front_page(sheet, programme), *index_page(sheet).body]
    for name, declared in sheet.estate.systems.items():
        page = system_page(sheet, name)
        if page is not None:
            parts += [el("h2", declared.name, class_="report-part"), *page.body]
    parts.append(programme_section.whole(sheet, programme))
    return Report(f"Standby power of {sheet.title}", tuple(parts))


def system_report(sheet: Sheet, system: str) -> Report | None:
    """Return the report of one system, or None for one that is not there."""
    return _of_page(system_page(sheet, system))


def bank_report(sheet: Sheet, bank: str) -> Report | None:
    """Return the report of one bank, or None for one that is not there."""
    return _of_page(bank_page(sheet, bank))


def programme_report(sheet: Sheet, programme: Programme) -> Report:
    """Return the report of what must be replaced, serviced and tested."""
    return Report(f"Replacements and service of {sheet.title}", (programme_section.whole(sheet, programme),))


def isolation_report(isolation: ShownIsolation) -> Report:
    """Return the report of whether a unit may be taken out for work."""
    title = f"May unit {isolation.unit} be taken out for work?"
    return Report(title, (isolation_section.one(isolation),))


def ride_report(sheet: Sheet, results: Iterable[Ridethrough], played_on: str) -> Report:
    """Return the report of a scenario played out."""
    found = tuple(ride_section.played(sheet, result, played_on) for result in results)
    return Report("A scenario played out", found)


def _of_page(page: PageFrame | None) -> Report | None:
    return None if page is None else Report(page.title, page.body)


def style_hash() -> str:
    """Return what a Content-Security-Policy names the styles within a report by (CSP level 2)."""
    return "sha256-" + b64encode(sha256(STYLES.body).digest()).decode("ascii")


def document(sheet: Sheet, report: Report) -> str:
    """Return a whole report as one file."""
    clock = clock_of(sheet)
    day, time, zone = clock.head(sheet.now)
    judged = f"Judged {day}, {time} local ({zone})"
    body = el(
        "body",
        hatches(),
        el(
            "header",
            el("span", emblem(), "ridethrough", class_="mark"),
            el("span", sheet.title, el("em", " demonstration") if sheet.demonstration else None),
            el("span", judged, class_="asof"),
            class_="head",
        ),
        el("main", el("h1", report.title, class_="report-title"), [_on_paper(part) for part in report.body]),
        el(
            "footer",
            el(
                "div",
                el("b", "Before anyone touches anything"),
                el("p", SAFETY, " ", ADVICE_ONLY),
                class_="safety",
            ),
            el(
                "p",
                el("span", f"{judged}. What has happened since is not in it."),
                el("span", f"Estate file {sheet.estate_file}") if sheet.estate_file else None,
                class_="foot small",
            ),
        ),
        class_="report",
    )
    head = render(
        el(
            "head",
            el("meta", charset="utf-8"),
            el("meta", name="viewport", content="width=device-width,initial-scale=1"),
            el("title", f"{report.title} · ridethrough"),
        )
    )
    styles = f"<style>{STYLES.body.decode('utf-8')}</style>"
    whole = head.replace("</head>", f"{styles}</head>", 1) + render(body)
    return f'<!doctype html>\n<html lang="en-GB" data-ink="light">{whole}</html>\n'


def _on_paper(element: Element) -> Element:
    """Return an element as paper has it: no links, no forms, folds open."""
    tag = {"a": "span", "nav": "div"}.get(element.tag, element.tag)
    dropped = ("href", "aria-current") if element.tag == "a" else ()
    attributes = [(k, v) for k, v in element.attributes if k not in dropped and not k.startswith("data-")]
    if element.tag == "details" and "open" not in dict(attributes):
        attributes.append(("open", ""))
    return Element(tag, tuple(attributes), tuple(_kept(element.children)))


def _kept(children: Iterable[Node]) -> Iterable[Node]:
    for child in children:
        if isinstance(child, str):
            yield child
        elif child.tag not in LEFT_OUT and not _is_act(child):
            yield _on_paper(child)


def _is_act(element: Element) -> bool:
    return "act" in (element.attribute("class") or "").split() and element.tag == "details"
