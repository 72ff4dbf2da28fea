"""What was sent to whom, and what waits; who is on call; and answers to a message from wherever its reader is."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Final
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Query, Request
from fastapi.responses import RedirectResponse, Response
from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from api.access.callers import Caller
from api.http.answer_forms import Shaped, items_of
from api.http.form_body import form_fields
from api.http.problems import Problem, not_known, told
from api.http.said import Name, Note
from api.http.schemas import OnCallNow
from api.pages.sheets.answer_page import (
    AnswerShown,
    answer_page,
    no_answer_page,
)
from api.routes.dependencies import Asked, Limit, answer, mark
from api.routes.pages import HEADERS
from collector.read_model.answers import AnswerLink, NoAnswerLinkError, NotTakenOn, TakenOn, on_the_way
from collector.read_model.kept import Outgoing, Sending, Whence, asking
from collector.read_model.running import RunningSource
from collector.read_model.telling import on_call_now
from rules.phrasing.dates import day_words
from rules.phrasing.notice_case import worst_first
from rules.phrasing.reasons import say

router = APIRouter(prefix="/v1", tags=["telling"])

MESSAGE: Final = Shaped(
    "SentMessage",
    {
        "id": str, "channel": str, "destination": str, "created": datetime, "incident": str | None,
        "sending": Sending, "attempts": int, "result": str | None, "urgent": bool, "body": dict,
    },
    "A message: to whom, by what, when, what came back.",
)  # fmt: skip


@router.get("/on-call", responses=told(gives=OnCallNow))
async def on_call(service: Asked) -> Response:
    """Give who is on call now, by rota."""
    return answer({"items": on_call_now(service.configuration.people, service.clock.now()), "next": None})


@router.get("/messages", responses=told(422, gives=items_of(MESSAGE)))
async def messages(
    service: Asked,
    sending: Annotated[
        Sending | None,
        Query(
            description="waiting, sent, dead (given up), or unneeded (there was nothing left to tell when its turn came)"
        ),
    ] = None,
    incident: Annotated[str | None, Query(max_length=100)] = None,
    after: Annotated[str | None, Query(description="the `next` of the page before")] = None,
    limit: Limit = 200,
) -> Response:
    """Give what was sent or waits to be sent, newest first: to whom, by what, when, and what came back."""
    page = await service.messages(sending=sending, incident=incident, before=mark(after), limit=limit)
    following = None if page.next is None else str(page.next)
    return answer({"items": [_message(line) for line in page.items], "next": following})


def _message(line: Outgoing) -> dict[str, object]:
    return {
        "id": line.id, "channel": line.channel, "destination": line.destination, "created": line.created,
        "incident": line.incident, "sending": line.sending, "attempts": line.attempts, "result": line.result,
        "urgent": line.urgent, "body": line.body,
    }  # fmt: skip


page_router = APIRouter(include_in_schema=False)

STANDING_SHOWN: Final = 4
"""Sentences of what stands now: the page is for a telephone."""
A_NOTE: Final = TypeAdapter(Note)


class TakeOn(BaseModel):
    """Who takes an incident on, and what they say of it."""

    model_config = ConfigDict(extra="forbid")

    by: Name = Field(description="who has it")
    note: Note = Field("", description="such as: on the way, there by 14:30")


@router.post("/incidents/{incident}/take-on", responses=told(404, 409, 422, gives=TakenOn))
async def take_on(service: Asked, incident: str, said: TakeOn) -> Response:
    """Acknowledge every alarm of an incident in one word; everybody else who was told of it is told who has it."""
    if service.taking_on.incident(incident) is None:
        raise not_known("incident", incident, service.taking_on.open_incidents())
    try:
        return answer(await service.taking_on.take_on(incident, by=said.by, note=said.note))
    except NotTakenOn as why:
        raise Problem(409, "cannot-be-done", str(why)) from why


@page_router.get("/answer/{token}")
async def answering(service: Asked, token: str) -> Response:
    """Give the page to answer a message by. It changes nothing: programs follow links in mails too."""
    try:
        link = service.answer_links.read(token, service.clock.now())
    except NoAnswerLinkError as why:
        return _page(no_answer_page(str(why)), 404)
    return _page(answer_page(await _shown(service, link)))


@page_router.post("/answer/{token}")
async def answered(service: Asked, request: Request, token: str) -> Response:
    """Take the incident on for whom the link was sent to; then back to the page, which says who has it."""
    now = service.clock.now()
    try:
        link = service.answer_links.read(token, now)
    except NoAnswerLinkError as why:
        return _page(no_answer_page(str(why)), 404)
    said = await form_fields(request)
    caller: Caller = request.state.caller
    noted = asking.set(Whence(link.person, f"by the link {link.id} in a message", caller.address))
    try:
        note = _note(said, now, _zone(service))
        await service.taking_on.take_on(link.incident, by=link.person, note=note, link=link.id)
    except (NotTakenOn, ValueError) as why:
        return _page(
            answer_page(await _shown(service, link), str(why)), 409 if isinstance(why, NotTakenOn) else 422
        )
    finally:
        asking.reset(noted)
    return RedirectResponse(f"/answer/{token}", 303, {"Cache-Control": "no-store"})


def _note(said: dict[str, str], now: datetime, zone: ZoneInfo) -> str:
    """Return what somebody says with their answer. Raises ValueError with a sentence."""
    words = on_the_way(said.get("minutes", ""), now, zone)
    try:
        note = A_NOTE.validate_python(said.get("note", ""))
    except ValidationError:
        raise ValueError("The word to the others: want up to 500 printable characters in one line.") from None
    return ": ".join(part for part in (words, note) if part)


def _zone(service: RunningSource) -> ZoneInfo:
    """Return the time zone of the first site."""
    return ZoneInfo(next(iter(service.estate.sites.values())).time_zone)


async def _shown(service: RunningSource, link: AnswerLink) -> AnswerShown:
    zone = _zone(service)
    incident = service.taking_on.incident(link.incident)
    taken = await service.taking_on.taken(link.incident)
    used = await service.taking_on.answered(link.incident, link.id)
    return AnswerShown(
        link.person,
        "What you were told of" if incident is None else say(incident.title),
        "" if incident is None else f"Since {_local(incident.opened_at, zone)}.",
        "" if incident is None else say(incident.do),
        tuple(_has_it(one, zone) for one in taken),
        over=incident is None or not incident.open,
        answered=used is not None,
        as_of=f"{service.clock.now().astimezone(zone):%H:%M:%S}",
        now=_stands(service, link.incident),
    )


def _stands(service: RunningSource, incident: str) -> tuple[str, ...]:
    """Return what stands of an incident now, the gravest first."""
    alarms = [a for a in service.present.alarms.values() if a.incident == incident and a.condition]
    words = dict.fromkeys(say(one.what) for one in worst_first(alarms))
    return tuple(list(words)[:STANDING_SHOWN])


def _has_it(one: TakenOn, zone: ZoneInfo) -> str:
    said = f": {one.note}" if one.note else ""
    return f"{one.by} has it since {_local(one.at, zone)}{said}."


def _local(moment: datetime, zone: ZoneInfo) -> str:
    here = moment.astimezone(zone)
    return f"{day_words(here.date())}, {here:%H:%M}"


def _page(html: str, status: int = 200) -> Response:
    return Response(html, status, media_type="text/html; charset=utf-8", headers=HEADERS)
