"""The live stream: whole sentences and figures that replace those on a page, by id, as server-sent events.

Each event carries only what differs from the last one, compared without the ages that tick by themselves. When
a page's skeleton changed (an outage began, an alarm's section came) the event says so, and the page is fetched anew.
"""

from __future__ import annotations

import json
import re
from collections.abc import AsyncIterator
from dataclasses import dataclass
from typing import Any, Final

from api.pages.hold_up.sentences import judged, plain
from api.pages.markup.elements import el, inner, live_parts
from api.pages.markup.format import iso
from api.pages.markup.frame import as_of, main
from api.pages.sheets.registry import page_at
from collector.read_model.sheet import Sheet

MEDIA_TYPE: Final = "text/event-stream; charset=utf-8"
TICKING: Final = re.compile(r'(<span class="tick-(?:age|left)" data-(?:since|until)="[^"]*">)[^<]*')


@dataclass(frozen=True, slots=True)
class Frame:
    """What a page showed at a moment: its live parts by id, its skeleton, its verdicts and alarms in words, its rows' order."""

    at: str
    stale_after_s: float
    skeleton: str
    parts: dict[str, str]
    verdicts: tuple[str, ...]
    alarms: tuple[tuple[str, str, str], ...]
    order: tuple[str, ...] = ()


def fragments(sheet: Sheet, address: str = "/") -> dict[str, str]:
    """Return the live parts of the page at `address`: element id to the markup that stands in it."""
    made = frame(sheet, address)
    return {} if made is None else made.parts


def frame(sheet: Sheet, address: str = "/") -> Frame | None:
    """Return what the page at `address` shows, or None where there is no such page. Drawn once for a sheet."""
    kept = sheet.drawn.get(address)
    if isinstance(kept, Frame):
        return kept
    page = page_at(sheet, address)
    if page is None:
        return None
    whole = main(page)
    parts = {part.attribute("id") or "": inner(part) for part in live_parts(whole)}
    parts["asof"] = inner(el("span", as_of(sheet)))
    verdicts = tuple(plain(judged(sheet, s)) for s in sheet.systems if s.id in sheet.estate.systems)
    alarms = tuple((a.id, a.state, a.what) for a in sheet.alarms)
    skeleton = whole.attribute("data-skeleton") or ""
    made = Frame(iso(sheet.now), sheet.stale_after_s, skeleton, parts, verdicts, alarms, page.order)
    sheet.drawn[address] = made
    return made


def difference(old: Frame | None, new: Frame) -> dict[str, Any]:
    """Return the payload that brings a page from `old` to `new`; everything where `old` is None or built otherwise."""
    payload: dict[str, Any] = {"now": new.at, "stale_after_s": new.stale_after_s, "skeleton": new.skeleton}
    same = old is not None and old.skeleton == new.skeleton
    payload["fragments"] = {
        name: html
        for name, html in new.parts.items()
        if not (same and old is not None and _still(old.parts.get(name)) == _still(html))
    }
    if new.order and (old is None or old.order != new.order):
        payload["order"] = new.order
    said = _said(old, new)
    if said:
        payload["said"] = said
    return payload


def event(payload: dict[str, Any], name: str = "sheet") -> bytes:
    """Return one server-sent event (HTML Living Standard 9.2): the JSON has no line break, so one data line holds it."""
    data = json.dumps(payload, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return f"event: {name}\ndata: {data}\n\n".encode()


async def stream(sheets: AsyncIterator[Sheet], address: str = "/") -> AsyncIterator[bytes]:
    """Yield events for one reader of the page at `address`: the first whole, then what differs.

    `sheets` should bring one at least every 15 s, changed or not: an event without fragments tells the page
    that the line stands. Ends when `sheets` does or when the page is gone.
    """
    yield b"retry: 10000\n\n"
    last: Frame | None = None
    async for sheet in sheets:
        new = frame(sheet, address)
        if new is None:
            return
        yield event(difference(last, new))
        last = new


def _still(html: str | None) -> str | None:
    return None if html is None else TICKING.sub(r"\1", html)


def _said(old: Frame | None, new: Frame) -> str:
    """Return what a screen reader is told: verdicts and alarms that changed, never ticking seconds."""
    if old is None:
        return ""
    told = [said for said in new.verdicts if said not in old.verdicts]
    known = {(name, state) for name, state, _ in old.alarms}
    told += [
        what
        for name, state, what in new.alarms
        if (name, state) not in known and state.startswith("active_un")
    ]
    gone = {name for name, _, _ in old.alarms} - {name for name, _, _ in new.alarms}
    if gone:
        told.append("One alarm has gone." if len(gone) == 1 else f"{len(gone)} alarms have gone.")
    return " ".join(f"{said.rstrip('.')}." for said in told)
