"""The live stream: whole sentences and figures that replace those on a page, by id, as server-sent events.

Each event carries only what differs from the last one, compared without the ages that tick by themselves. When
a page's skeleton changed (an outage began, an alarm's section came) the event says so, and the page is fetched anew.
An event's id stands for what the page shows; the page itself is sent with the first. Who comes with an id, since its line
broke, is sent what differs from there, as long as it is remembered.
"""

from __future__ import annotations

import json
import re
from collections import OrderedDict
from collections.abc import AsyncIterator, Mapping
from dataclasses import dataclass, field, replace
from hashlib import blake2b
from sys import intern
from typing import Any, Final
from weakref import WeakKeyDictionary

from api.pages.hold_up.sentences import judged, plain
from api.pages.markup.elements import el, inner, live_parts
from api.pages.markup.format import iso
from api.pages.markup.frame import as_of
from api.pages.markup.reader import NOBODY, PageReader, dressed
from api.pages.sheets.registry import whole_at
from collector.read_model.sheet import Sheet
from collector.read_model.source import SheetSource

MEDIA_TYPE: Final = "text/event-stream; charset=utf-8"
KEPT_FRAMES: Final = 128
"""Of a page of a hundred systems one takes about 10 kB."""
OF_THE_MOMENT: Final = frozenset({"asof"})
"""What says when, and differs each time: it is sent with every event, and makes no other page of it."""
TICKING: Final = re.compile(r'(<span class="tick-(?:age|left)" data-(?:since|until)="[^"]*">)[^<]*')


@dataclass(frozen=True, slots=True)
class Frame:
    """What a page showed at a moment: its live parts by id, its skeleton, its verdicts and alarms in words, its rows' order.

    `digests` are of the parts without what ticks; `id` stands for all of it but when it was. What is remembered of a
    frame has no `parts`.
    """

    at: str
    stale_after_s: float
    skeleton: str
    parts: dict[str, str]
    verdicts: tuple[str, ...]
    alarms: tuple[tuple[str, str, str], ...]
    order: tuple[str, ...] = ()
    digests: Mapping[str, bytes] = field(default_factory=dict)
    id: str = ""
    address: str = "/"


class Frames:
    """The frames that were sent of each page, the last `KEPT_FRAMES` of it, for who comes back after a broken line."""

    def __init__(self) -> None:
        self._kept: OrderedDict[tuple[str, str], Frame] = OrderedDict()

    def remember(self, frame: Frame) -> None:
        """Keep what a page showed."""
        key = (frame.address, frame.id)
        if key not in self._kept:
            # what is said of the parts is long and mostly the same from frame to frame
            alarms = tuple((intern(name), intern(state), "") for name, state, _ in frame.alarms)
            self._kept[key] = replace(
                frame, parts={}, alarms=alarms, verdicts=tuple(intern(said) for said in frame.verdicts)
            )
            while len(self._kept) > KEPT_FRAMES:
                self._kept.popitem(last=False)
        self._kept.move_to_end(key)

    def recall(self, address: str, id_: str | None) -> Frame | None:
        """Return what a page showed under an id, None where it is not remembered."""
        return None if id_ is None else self._kept.get((address, id_))


_FRAMES: Final[WeakKeyDictionary[SheetSource, Frames]] = WeakKeyDictionary()


def frames_of(service: SheetSource) -> Frames:
    """Return what is remembered of the pages of a service."""
    return _FRAMES.setdefault(service, Frames())


def fragments(sheet: Sheet, address: str = "/") -> dict[str, str]:
    """Return the live parts of the page at `address`: element id to the markup that stands in it."""
    made = frame(sheet, address)
    return {} if made is None else made.parts


def frame(sheet: Sheet, address: str = "/") -> Frame | None:
    """Return what the page at `address` shows, or None where there is no such page. Drawn once for a sheet."""
    kept = sheet.drawn.get(address)
    if isinstance(kept, Frame):
        return kept
    found = whole_at(sheet, address)
    if found is None:
        return None
    page, whole = found
    parts = {part.attribute("id") or "": inner(part) for part in live_parts(whole)}
    parts["asof"] = inner(el("span", as_of(sheet)))
    verdicts = tuple(plain(judged(sheet, s)) for s in sheet.systems if s.id in sheet.estate.systems)
    alarms = tuple((a.id, a.state, a.what) for a in sheet.alarms)
    skeleton = whole.attribute("data-skeleton") or ""
    digests = {name: _digest(_still(html)) for name, html in parts.items()}
    beside = (skeleton, page.order, verdicts, [(name, state) for name, state, _ in alarms])
    all_of_it = blake2b(repr(beside).encode(), digest_size=9)
    for name, one in digests.items():
        if name not in OF_THE_MOMENT:
            all_of_it.update(name.encode() + one)
    made = Frame(
        iso(sheet.now),
        sheet.stale_after_s,
        skeleton,
        parts,
        verdicts,
        alarms,
        page.order,
        digests,
        all_of_it.hexdigest(),
        page.address,
    )
    sheet.drawn[address] = made
    return made


def difference(old: Frame | None, new: Frame) -> dict[str, Any]:
    """Return the payload that brings a page from `old` to `new`: everything where `old` is None.

    A page that is built otherwise is fetched anew, so no more of it is sent than when that was.
    """
    payload: dict[str, Any] = {"now": new.at, "stale_after_s": new.stale_after_s, "skeleton": new.skeleton}
    if old is None:
        payload["fragments"] = new.parts
    elif old.skeleton != new.skeleton:
        payload["fragments"] = {name: new.parts[name] for name in OF_THE_MOMENT}
    else:
        payload["fragments"] = {
            name: html for name, html in new.parts.items() if old.digests.get(name) != new.digests[name]
        }
    if new.order and (old is None or old.order != new.order):
        payload["order"] = new.order
    said = _said(old, new)
    if said:
        payload["said"] = said
    return payload


def event(payload: dict[str, Any], name: str = "sheet", id_: str = "") -> bytes:
    """Return one server-sent event (HTML Living Standard 9.2): the JSON has no line break, so one data line holds it."""
    data = json.dumps(payload, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    mark = f"id: {id_}\n" if id_ else ""
    return f"event: {name}\n{mark}data: {data}\n\n".encode()


async def stream(
    sheets: AsyncIterator[Sheet],
    address: str = "/",
    frames: Frames | None = None,
    after: str | None = None,
    reader: PageReader = NOBODY,
) -> AsyncIterator[bytes]:
    """Yield events for one reader of the page at `address`: what differs from the id it comes with, else the whole, then
    what differs.

    `sheets` should bring one at least every 15 s, changed or not: an event without fragments tells the page
    that the line stands. Ends when `sheets` does or when the page is gone.
    """
    yield b"retry: 10000\n\n"
    frames = frames or Frames()
    last = frames.recall(address, after)
    async for sheet in sheets:
        new = frame(sheet, address)
        if new is None:
            return
        yield _sent(sheet, last, new, reader)
        frames.remember(new)
        last = new


def _sent(sheet: Sheet, last: Frame | None, new: Frame, reader: PageReader) -> bytes:
    """Return the event that brings a reader from one frame to another: written once for all alike who are there."""
    # a script shows the proof that stands in the page's head, so no fragment holds one session's own
    alike = replace(reader, proof=None if reader.proof is None else "")
    key = f"{new.address} after {'' if last is None else last.id} for {alike}"
    kept = sheet.drawn.get(key)
    if kept is None:
        payload = difference(last, new)
        payload["fragments"] = {name: dressed(html, alike) for name, html in payload["fragments"].items()}
        kept = sheet.drawn[key] = event(payload, id_=new.id)
    made: bytes = kept
    return made


def _still(html: str) -> str:
    return TICKING.sub(r"\1", html) if "tick-" in html else html


def _digest(text: str) -> bytes:
    return blake2b(text.encode(), digest_size=8).digest()


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
