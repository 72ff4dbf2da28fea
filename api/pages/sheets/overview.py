"""The overview: every system's verdict in a sentence, then the numbered questions for the whole estate.

While a system is on its banks it comes first, question 1 then 3, and the others shrink to a sentence. The page
returns to its order when the outage is over.
"""

from __future__ import annotations

from collections.abc import Sequence

from api.pages.alarms.alarm_list import wrong
from api.pages.banks import section as bank_section
from api.pages.hold_up import outage as outage_section
from api.pages.hold_up import section as hold_up_section
from api.pages.hold_up.score import score_section
from api.pages.hold_up.sentences import Judged, aside, judged, opening, ordered
from api.pages.markup.elements import Element, el
from api.pages.markup.frame import PageFrame, address_of, clock_of, question
from api.pages.plans import shutdown as shutdown_section
from api.pages.units import redundancy as redundancy_section
from api.pages.units.isolation import overview as isolations
from collector.read_model.sheet import Sheet


def subjects_of(sheet: Sheet) -> list[Judged]:
    """Return every system that has a state, ready to be put into words."""
    return ordered([judged(sheet, state) for state in sheet.systems if state.id in sheet.estate.systems])


def lead(subjects: Sequence[Judged]) -> Element:
    """Return the opening: a verdict for every system."""
    rows = [el("li", opening(s, address_of("systems", s.state.id))) for s in subjects]
    return el("div", el("ul", rows, class_="lead"), id="lead", live=True)


def index_page(sheet: Sheet) -> PageFrame:
    """Return the overview."""
    subjects, clock = subjects_of(sheet), clock_of(sheet)
    heading = el("h1", f"Standby power of {sheet.title}", class_="off")
    if not subjects:
        nothing = el(
            "p", "Nothing has been judged yet: the first readings are on their way.", class_="waiting"
        )
        return PageFrame("All systems", "/", (heading, nothing))
    lit = [s for s in subjects if s.state.on_battery]
    if lit:
        return PageFrame(
            "On battery",
            "/",
            (heading, *_during(sheet, lit, [s for s in subjects if not s.state.on_battery])),
        )
    parts = [
        heading,
        lead(subjects),
        hold_up_section.overview(sheet, subjects),
        redundancy_section.overview(sheet, subjects),
        wrong(sheet, sheet.alarms, clock),
        bank_section.overview(sheet),
        isolations(sheet),
        shutdown_section.overview(sheet),
        score_section(sheet),
    ]
    return PageFrame("All systems", "/", tuple(part for part in parts if part))


def _during(sheet: Sheet, lit: Sequence[Judged], others: Sequence[Judged]) -> list[Element]:
    parts = [lead(lit)]
    for subject in lit:
        drawn = outage_section.outage(sheet, subject, named=len(lit) > 1)
        if drawn:
            parts.append(drawn)
    ids = {s.state.id for s in lit}
    # The others' stand with them; what is about the service itself has no other place.
    elsewhere = {a.id for s in others for a in sheet.alarms_of(s.state.id)}
    elsewhere -= {a.id for name in ids for a in sheet.alarms_of(name)}
    mine = [a for a in sheet.alarms if a.id not in elsewhere]
    parts.append(wrong(sheet, mine or sheet.alarms, lit[0].clock, live=True))
    planned = shutdown_section.overview(sheet, {name for name in ids if shutdown_section.runs(sheet, name)})
    if planned:
        parts.append(planned)
    if others:
        rest = el("div", [aside(s) for s in others], id="others", live=True)
        parts.append(question(None, "The others", None, rest))
    return parts
