"""Who is on call: by each rota the person, the number to call, until when, and who comes next."""

from __future__ import annotations

from api.pages.markup.elements import Element, el
from api.pages.markup.frame import question
from collector.read_model.sheet import Sheet
from collector.read_model.telling import ShownOnCall
from collector.read_model.wall_clock import WallClock


def on_call(sheet: Sheet, clock: WallClock) -> Element | None:
    """Return a line for each rota; None where the estate file has none that has begun."""
    if not sheet.on_call:
        return None
    lines = el("ul", [el("li", _line(one, clock)) for one in sheet.on_call])
    return question(None, "On call", None, el("div", lines, id="on-call", live=True), id_="q-on-call")


def _line(one: ShownOnCall, clock: WallClock) -> list[Element | str]:
    said: list[Element | str] = [el("b", one.person)]
    if one.telephone is not None:
        said += [", ", el("a", one.telephone, href="tel:" + one.telephone.replace(" ", ""))]
    stands_in = ", standing in" if one.stands_in else ""
    then = "" if one.then is None or one.then == one.person else f", then {one.then}"
    until = f"{clock.on(one.until)}, {clock.minute(one.until)}"
    return [*said, f"{stands_in}, until {until}{then} ({one.rota})."]
