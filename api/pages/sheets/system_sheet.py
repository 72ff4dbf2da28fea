"""The sheet of one system: the same questions, in depth."""

from __future__ import annotations

from api.pages.alarms.alarm_list import wrong
from api.pages.banks import section as bank_section
from api.pages.hold_up import depth as hold_up_depth
from api.pages.hold_up import mains_return as return_section
from api.pages.hold_up import outage as outage_section
from api.pages.hold_up.basis import installed_words
from api.pages.hold_up.lanes import lanes
from api.pages.hold_up.sentences import Judged, judged, opening
from api.pages.markup.elements import Element, Nodes, el
from api.pages.markup.frame import PageFrame, address_of
from api.pages.plans import shutdown as shutdown_section
from api.pages.plans import size as size_section
from api.pages.sheets.during import what_to_do
from api.pages.units import isolation as isolation_section
from api.pages.units import redundancy as redundancy_section
from collector.read_model.sheet import Sheet
from rules.phrasing.figures import kilo


def system_page(sheet: Sheet, name: str) -> PageFrame | None:
    """Return a system's sheet, or None for one that is not in the estate."""
    declared = sheet.estate.systems.get(name)
    if declared is None:
        return None
    address = address_of("systems", name)
    state = sheet.system(name)
    if state is None:
        waiting = el(
            "p",
            el("b", declared.name),
            " has not been judged yet: the first readings are on their way.",
            class_="waiting",
        )
        return PageFrame(declared.name, address, (el("h1", declared.name, class_="off"), waiting))
    subject = judged(sheet, state)
    parts: list[Element | None] = [_lead(sheet, subject)]
    drawn = outage_section.outage(sheet, subject)
    if drawn:
        parts += [drawn, lanes(sheet, subject), *what_to_do(sheet, [subject], sheet.alarms_of(name))]
    else:
        came_back = return_section.returned(sheet, (declared.supply,))
        if return_section.asks(sheet, (declared.supply,)):
            parts += [came_back, hold_up_depth.in_depth(sheet, subject)]
        else:
            parts += [hold_up_depth.in_depth(sheet, subject), came_back]
    parts.append(redundancy_section.in_depth(sheet, subject))
    if not drawn:
        parts.append(wrong(sheet, sheet.alarms_of(name), subject.clock, of=name))
    parts.append(bank_section.in_depth(sheet, name))
    if not drawn:
        parts.append(size_section.in_depth(sheet, name))
    parts.append(isolation_section.in_depth(sheet, subject))
    parts.append(shutdown_section.in_depth(sheet, name))
    return PageFrame(declared.name, address, tuple(part for part in parts if part))


def _lead(sheet: Sheet, subject: Judged) -> Element:
    mark, said = opening(subject)
    return el(
        "h1",
        el("span", mark, el("span", said, el("span", _plant(sheet, subject), class_="why")), class_="row"),
        class_="lead",
        id="lead",
        live=True,
    )


def _plant(sheet: Sheet, subject: Judged) -> Nodes:
    declared = sheet.estate.systems[subject.state.id]
    parts = [installed_words(sheet, subject)]
    if declared.board:
        parts.append(declared.board)
    generator = sheet.estate.generator_of(declared.id)
    parts.append(f"generator {kilo(generator.rating_w, 0)} kW" if generator else "no generator")
    load = subject.state.load
    if load.power_w is not None and not subject.silent():
        apparent = f", {kilo(load.apparent_va)} kVA" if load.apparent_va is not None else ""
        parts.append(f"load {kilo(load.power_w)} kW{apparent}")
    if sheet.site(declared.id).name != declared.name:
        parts.append(sheet.site(declared.id).name)
    return " · ".join(parts)
