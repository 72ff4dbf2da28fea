"""The sheets: every page as a pure function of one value, by name or by address."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final
from urllib.parse import unquote

from api.pages.markup.elements import Element
from api.pages.markup.frame import PageFrame, document, main
from api.pages.sheets.alarm_sheet import alarms_page
from api.pages.sheets.bank_sheet import bank_page, banks_page
from api.pages.sheets.overview import index_page
from api.pages.sheets.system_sheet import system_page
from api.pages.sheets.unit_sheet import unit_page
from api.pages.sheets.wall import wall_page
from collector.read_model.rows.site_rows import Asked
from collector.read_model.sheet import Sheet

SHEETS: Final[Mapping[str, Callable[[Sheet], PageFrame]]] = {
    "": index_page,
    "alarms": alarms_page,
    "banks": banks_page,
}
NAMED: Final[Mapping[str, Callable[[Sheet, str], PageFrame | None]]] = {
    "systems": system_page,
    "units": unit_page,
    "banks": bank_page,
}


def page_at(sheet: Sheet, address: str) -> PageFrame | None:
    """Return the page at an address ("/", "/?only=short", "/systems/ID", "/units/ID", "/banks", "/banks/ID", "/alarms", "/wall"), or None."""
    address, _, query = address.partition("?")
    if address == "/wall":
        return wall_page(sheet, query)
    if address in {"", "/"} and query:
        return index_page(sheet, Asked.of(query))
    parts = [unquote(part) for part in address.strip("/").split("/")]
    if len(parts) == 1 and parts[0] in SHEETS:
        return SHEETS[parts[0]](sheet)
    if len(parts) == 2 and parts[0] in NAMED:
        return NAMED[parts[0]](sheet, parts[1])
    return None


def whole_at(sheet: Sheet, address: str) -> tuple[PageFrame, Element] | None:
    """Return the page at an address and the part of it that answers, or None; built once for a sheet."""
    key = f"page {address}"
    if key not in sheet.drawn:
        page = page_at(sheet, address)
        sheet.drawn[key] = None if page is None else (page, main(page))
    found: tuple[PageFrame, Element] | None = sheet.drawn[key]
    return found


def render_at(sheet: Sheet, address: str, event: str = "") -> str | None:
    """Return the whole page at an address, or None where there is none; `event`: the id that the live stream has for it."""
    found = whole_at(sheet, address)
    return None if found is None else document(sheet, found[0], found[1], event)


def index(sheet: Sheet) -> str:
    """Return the overview; while a system is on its banks, that system first and the others in a sentence."""
    return document(sheet, index_page(sheet))


def system(sheet: Sheet, name: str) -> str | None:
    """Return a system's sheet, or None for one that is not in the estate."""
    return _or_none(sheet, system_page(sheet, name))


def unit(sheet: Sheet, name: str) -> str | None:
    """Return a unit's sheet, or None."""
    return _or_none(sheet, unit_page(sheet, name))


def bank(sheet: Sheet, name: str) -> str | None:
    """Return a bank's sheet, or None."""
    return _or_none(sheet, bank_page(sheet, name))


def banks(sheet: Sheet) -> str:
    """Return the sheet of all banks."""
    return document(sheet, banks_page(sheet))


def alarms(sheet: Sheet) -> str:
    """Return the sheet of alarms and outages."""
    return document(sheet, alarms_page(sheet))


def _or_none(sheet: Sheet, page: PageFrame | None) -> str | None:
    return None if page is None else document(sheet, page)
