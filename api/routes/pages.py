"""The page: sheets by address, the files they need, and their live stream."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from dataclasses import replace
from datetime import timedelta
from typing import Annotated, Final, Literal

from fastapi import APIRouter, Depends, Header, Query, Request
from fastapi.responses import Response, StreamingResponse

from api.access.callers import MOMENT_S, Caller, Callers
from api.access.gate import Access
from api.access.roles import Role
from api.http.problems import Problem, told
from api.pages.banks.discharges import discharge_page, discharges_page
from api.pages.banks.table_trial import LONGEST as LONGEST_TABLE
from api.pages.banks.table_trial import table_page
from api.pages.live import MEDIA_TYPE, frame, frames_of
from api.pages.live import stream as live_stream
from api.pages.markup.assets import FOREVER, asset, csp_header
from api.pages.markup.frame import document
from api.pages.markup.reader import PageReader, dressed
from api.pages.plans.shutdown_question import asked
from api.pages.plans.what_if import what_if_page
from api.pages.sheets.outages_sheet import outage_page, outages_page
from api.pages.sheets.registry import render_at
from api.pages.units.past import past_page
from api.pages.view import shown
from api.routes.dependencies import BUSY, BUSY_AGAIN_S, Asked, mark_of, place
from collector.read_model.answers import (
    Busy,
    JudgementFailed,
    NotYet,
    Superseded,
    TableRefused,
    play_shutdown,
)
from collector.read_model.history.unit_past import unit_past
from collector.read_model.kept import StoreError
from collector.read_model.outages.past import outage_story, past_outages
from collector.read_model.running import RunningSource
from collector.read_model.sheet import Sheet

router = APIRouter(include_in_schema=False)
stream_router = APIRouter(tags=["live"])

HEADERS: Final = {
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cache-Control": "no-store",
    **dict([csp_header()]),
}


async def reader_of(request: Request) -> PageReader:
    """Return who reads a page, as far as the page is to say so."""
    caller: Caller = request.state.caller
    acts = caller.role is not None and caller.role.may(Role.ACT)
    return PageReader(caller.name, caller.csrf, acts)


Reader = Annotated[PageReader, Depends(reader_of)]
FARTHEST: Final = timedelta(days=36_525)
DISCHARGES: Final = 40
"""On a page."""
AT_LEAST_EVERY_S: Final = 15.0
AT_MOST_EVERY_S: Final = 1.0
MOST_STREAMS: Final = 50


@router.get("/static/{name}")
async def static(name: str) -> Response:
    """Give one file that the pages need."""
    found = asset(f"/static/{name}")
    if found is None:
        raise Problem(404, "not-known", f"There is no file {name!r}; load the page again.")
    return Response(found.body, media_type=found.media_type, headers={**HEADERS, "Cache-Control": FOREVER})


@router.get("/")
async def overview(service: Asked, request: Request, reader: Reader) -> Response:
    """Give the overview, or the part of it that its query asks for."""
    query = request.url.query
    return await _page(service, f"/?{query}" if query else "/", reader)


@router.get("/wall")
async def wall(service: Asked, request: Request, reader: Reader) -> Response:
    """Give the wall, of the estate or of the system that its query names."""
    query = request.url.query
    return await _page(service, f"/wall?{query}" if query else "/wall", reader)


@router.get("/alarms")
async def alarms(service: Asked, reader: Reader) -> Response:
    """Give the sheet of alarms and outages."""
    return await _page(service, "/alarms", reader)


@router.get("/outages")
async def outages(
    service: Asked, reader: Reader, after: Annotated[str | None, Query(max_length=200)] = None
) -> Response:
    """Give the outages of all years, newest first, from a place on."""
    sheet = await shown(service)
    page = outages_page(sheet, await past_outages(service, place(after)), first=after is None)
    return _sent(document(sheet, page), reader)


@router.get("/outages/{where:path}")
async def outage(service: Asked, reader: Reader, where: str) -> Response:
    """Give one outage whole."""
    found = place(where)
    story = None if found is None else await outage_story(service, found)
    if story is None:
        raise Problem(404, "not-known", f"There is no outage {where[:60]!r}.")
    sheet = await shown(service)
    page = outage_page(sheet, story)
    return _sent(document(sheet, page), reader)


@router.get("/plans")
async def plans(service: Asked, request: Request, reader: Reader) -> Response:
    """Give a shutdown played as its query asks for it; without one, of next Saturday."""
    if not service.estate.systems:
        raise Problem(503, "not-yet", "No system is known yet.", retry_after_s=5)
    sheet = await shown(service)
    question, wrong = asked(service.estate, request.url.query, service.clock.now())
    played, waits, busy = None, "", False
    try:
        played = await play_shutdown(
            service.planner, service.estate, question.system, question.scenario(), question.moment
        )
    except NotYet:
        waits = "It has not been read since the start; the first readings are on their way."
    except Busy:
        waits, busy = f"{BUSY}; ask again in {BUSY_AGAIN_S} s.", True
    except ValueError as error:
        waits = f"It cannot be played: {error}."
    page = _sent(document(sheet, what_if_page(sheet, question, wrong, played, waits)), reader)
    if busy:
        page.status_code = 503
        page.headers["Retry-After"] = str(BUSY_AGAIN_S)
    return page


@router.get("/banks")
async def banks(service: Asked, reader: Reader) -> Response:
    """Give the sheet of all banks."""
    return await _page(service, "/banks", reader)


@router.get("/systems/{name}")
async def system(service: Asked, name: str, reader: Reader) -> Response:
    """Give a system's sheet."""
    return await _page(service, f"/systems/{name}", reader)


@router.get("/units/{name}")
async def unit(service: Asked, name: str, reader: Reader) -> Response:
    """Give a unit's sheet."""
    return await _page(service, f"/units/{name}", reader)


@router.get("/units/{name}/past")
async def past(service: Asked, name: str, reader: Reader) -> Response:
    """Give how a unit went: a day, a month and two years of it."""
    if name not in service.estate.units:
        raise Problem(404, "not-known", f"There is no unit {name[:60]!r}.")
    found = await unit_past(service, name, service.clock.now())
    found = replace(found, imported=await service.looking_back.imported(name))
    sheet = await shown(service)
    html = await asyncio.to_thread(document, sheet, past_page(sheet, found))
    return _sent(html, reader)


@router.get("/banks/{name}/table")
async def bank_table(
    service: Asked,
    name: str,
    reader: Reader,
    table: Annotated[str, Query(max_length=LONGEST_TABLE)] = "",
    per: Literal["cell", "block"] = "cell",
) -> Response:
    """Give the form that tries a maker's table at a bank, with what the pasted one would come to."""
    _known_bank(service, name)
    tried, refused = None, ""
    if table.strip():
        try:
            tried = await service.table_tried(name, table, per_block=per == "block")
        except TableRefused as error:
            refused = f"It is not taken: {error}."
        except NotYet:
            refused = "Its system has not been read since the start; the first readings are on their way."
        except (JudgementFailed, Superseded):
            refused = "It could not be tried just now; ask again in a moment."
    sheet = await shown(service)
    return _sent(document(sheet, table_page(sheet, name, table, tried, refused, per=per)), reader)


@router.get("/banks/{name}/discharges")
async def discharges(
    service: Asked, name: str, reader: Reader, after: Annotated[str | None, Query(max_length=200)] = None
) -> Response:
    """Give a bank's discharges, newest first, from a place on."""
    _known_bank(service, name)
    end = service.clock.now()
    page = await service.looking_back.discharges(
        name, start=end - FARTHEST, end=end, after=place(after), limit=DISCHARGES
    )
    sheet = await shown(service)
    return _sent(document(sheet, discharges_page(sheet, name, page.items, mark_of(page.next))), reader)


@router.get("/banks/{name}/discharges/{record:path}")
async def discharge(service: Asked, name: str, record: str, reader: Reader) -> Response:
    """Give one discharge as it was read, beside what was expected of it."""
    _known_bank(service, name)
    found = await service.looking_back.discharge(name, record)
    if found is None:
        raise Problem(404, "not-known", f"Bank {name!r} has no record of a discharge {record[:60]!r}.")
    expected = await service.expected_of(found)
    sheet = await shown(service)
    html = await asyncio.to_thread(lambda: document(sheet, discharge_page(sheet, name, found, expected)))
    return _sent(html, reader)


def _known_bank(service: RunningSource, name: str) -> None:
    if name not in service.estate.banks:
        raise Problem(404, "not-known", f"There is no bank {name[:60]!r}.")


@router.get("/banks/{name}")
async def bank(service: Asked, name: str, reader: Reader) -> Response:
    """Give a bank's sheet."""
    return await _page(service, f"/banks/{name}", reader)


async def _page(service: RunningSource, address: str, reader: PageReader) -> Response:
    sheet = await shown(service)
    seen = frame(sheet, address)
    html = None if seen is None else render_at(sheet, address, seen.id)
    if seen is None or html is None:
        raise Problem(404, "not-known", f"There is no page at {address}.")
    frames_of(service).remember(seen)
    return _sent(html, reader)


def _sent(html: str, reader: PageReader) -> Response:
    return Response(dressed(html, reader), media_type="text/html; charset=utf-8", headers=HEADERS)


@stream_router.get("/v1/live", response_class=StreamingResponse, responses=told(422, 503))
async def stream(
    service: Asked,
    request: Request,
    reader: Reader,
    sheet: Annotated[
        str,
        Query(max_length=400, description="address of the page whose parts are wanted, with its query"),
    ] = "/",
    after: Annotated[
        str | None,
        Query(max_length=40, description="id of the last event that was seen, or of the page as it was sent"),
    ] = None,
    last_event_id: Annotated[
        str | None,
        Header(
            max_length=40,
            description="the same, as a browser says it after a broken line; goes before `after`",
        ),
    ] = None,
) -> StreamingResponse:
    """Stream what changes on a page as server-sent events: at most one a second, at least one in 15 s.

    Each has an id. Who comes with the id of what is on the page already is sent what differs from there, as long as it
    is remembered; else the first event holds every part.
    """
    if service.readers >= MOST_STREAMS:
        raise Problem(503, "busy", f"{MOST_STREAMS} pages are open already; close one.", retry_after_s=30)
    return StreamingResponse(
        live_stream(_sheets(service, request), sheet, frames_of(service), last_event_id or after, reader),
        media_type=MEDIA_TYPE,
        headers={"Cache-Control": "no-store"},
    )


async def still_let_in(callers: Callers, caller: Caller) -> bool:
    """Return whether a reader may go on; where the ledger cannot say it in time, or any more, they stay until it can."""
    try:
        async with asyncio.timeout(MOMENT_S):
            return await callers.still(caller)
    except (StoreError, TimeoutError):
        return True


async def _sheets(service: RunningSource, request: Request) -> AsyncIterator[Sheet]:
    """Yield what is shown whenever something changed, until the service stops or its reader is let in no more."""
    service.readers += 1
    access: Access = request.app.state.access
    looked_s = service.clock.monotonic_s()
    try:
        version = -1
        while not service.stopping:
            if service.clock.monotonic_s() - looked_s >= AT_LEAST_EVERY_S:
                looked_s = service.clock.monotonic_s()
                if not await still_let_in(access.callers, request.state.caller):
                    return
            yield await shown(service)
            await asyncio.sleep(AT_MOST_EVERY_S)
            try:
                async with asyncio.timeout(AT_LEAST_EVERY_S - AT_MOST_EVERY_S):
                    version = await service.present.news_after(version)
            except TimeoutError:
                continue
    finally:
        service.readers -= 1
