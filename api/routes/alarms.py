"""Alarms, and what operators do with them: acknowledge, shelve, unshelve, out of service, note."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Annotated

from fastapi import APIRouter, Query
from fastapi.responses import Response
from pydantic import BaseModel, ConfigDict, Field

from api.http.answer_forms import items_of
from api.http.problems import Problem, not_known, told
from api.http.said import Name, Note
from api.routes.dependencies import Asked, answer, moment
from collector.read_model.running import RunningSource
from collector.read_model.sheet import ShownAlarm
from collector.read_model.sheet_source import alarm_of, alarms_in_order
from rules.alarms.lifecycle.states import State
from rules.alarms.quality import Quality
from rules.monitor.inputs import OperatorCommand

router = APIRouter(prefix="/v1/alarms", tags=["alarms"])

LONGEST_SHELVING = timedelta(days=31)
QUALITY_DAYS = timedelta(days=30)


class Act(BaseModel):
    """Who does it, and why."""

    model_config = ConfigDict(extra="forbid")

    by: Name = Field(description="who does it")
    note: Note = Field("", description="why, or what was found")


class Shelve(Act):
    """Who shelves it, why, and until when."""

    until: datetime = Field(description="RFC 3339, in the future, at most 31 days away")


@router.get("", responses=told(422, gives=items_of(ShownAlarm)))
async def alarms(
    service: Asked, state: Annotated[State | None, Query(description="only alarms in this state")] = None
) -> Response:
    """Give every alarm that is not normal, in the order to act in."""
    found = [
        a for a in alarms_in_order(service, service.clock.now()) if state is None or a.state == state.value
    ]
    return answer({"items": found, "next": None})


@router.get("/quality", responses=told(422, gives=Quality))
async def quality(
    service: Asked,
    start: Annotated[str | None, Query(alias="from")] = None,
    end: Annotated[str | None, Query(alias="to")] = None,
) -> Response:
    """Give the figures of alarm quality (EEMUA 191, ISA-18.2) of a period; of the last 30 days if not said."""
    now = service.clock.now()
    first = moment(start, "from", now - QUALITY_DAYS)
    last = moment(end, "to", now)
    if last < first:
        raise Problem(422, "wrong-input", "to: want a time after from")
    return answer(await service.alarm_quality(first, last))


@router.get("/{alarm}", responses=told(404, 422, gives=ShownAlarm))
async def alarm(service: Asked, alarm: str) -> Response:
    """Give one alarm."""
    return answer(_alarm(service, alarm))


@router.post("/{alarm}/acknowledge", responses=told(404, 409, 422, gives=ShownAlarm | None))
async def acknowledge(service: Asked, alarm: str, act: Act) -> Response:
    """Say that somebody has seen it and takes it on."""
    return await _do(service, alarm, OperatorCommand.ACKNOWLEDGE, act)


@router.post("/{alarm}/shelve", responses=told(404, 409, 422, gives=ShownAlarm | None))
async def shelve(service: Asked, alarm: str, act: Shelve) -> Response:
    """Hold it back until a time; it stays listed, and comes back by itself."""
    if act.until.tzinfo is None:
        raise Problem(422, "wrong-input", "until: want a time with its zone")
    if act.until - service.clock.now() > LONGEST_SHELVING:
        raise Problem(422, "wrong-input", "until: want a time at most 31 days away")
    return await _do(service, alarm, OperatorCommand.SHELVE, act, act.until)


@router.post("/{alarm}/unshelve", responses=told(404, 409, 422, gives=ShownAlarm | None))
async def unshelve(service: Asked, alarm: str, act: Act) -> Response:
    """End its shelving now."""
    return await _do(service, alarm, OperatorCommand.UNSHELVE, act)


@router.post("/{alarm}/out-of-service", responses=told(404, 409, 422, gives=ShownAlarm | None))
async def take_out_of_service(service: Asked, alarm: str, act: Act) -> Response:
    """Take it out of service for maintenance, until somebody returns it."""
    return await _do(service, alarm, OperatorCommand.TAKE_OUT_OF_SERVICE, act)


@router.post("/{alarm}/return-to-service", responses=told(404, 409, 422, gives=ShownAlarm | None))
async def return_to_service(service: Asked, alarm: str, act: Act) -> Response:
    """Return it to service."""
    return await _do(service, alarm, OperatorCommand.RETURN_TO_SERVICE, act)


@router.post("/{alarm}/reset", responses=told(404, 409, 422, gives=ShownAlarm | None))
async def reset(service: Asked, alarm: str, act: Act) -> Response:
    """Reset a latched alarm."""
    return await _do(service, alarm, OperatorCommand.RESET, act)


@router.post("/{alarm}/note", responses=told(404, 409, 422, gives=ShownAlarm | None))
async def note(service: Asked, alarm: str, act: Act) -> Response:
    """Add a note to it."""
    return await _do(service, alarm, OperatorCommand.NOTE, act)


async def _do(
    service: RunningSource, alarm: str, deed: OperatorCommand, act: Act, until: datetime | None = None
) -> Response:
    _alarm(service, alarm)
    refusal = await service.act(deed, alarm, who=act.by, why=act.note, until=until)
    if refusal is not None:
        raise Problem(409, "cannot-be-done", f"{alarm}: {refusal}")
    after = service.present.alarms.get(alarm)
    return answer(None if after is None else alarm_of(service, after, service.clock.now()))


def _alarm(service: RunningSource, alarm: str) -> object:
    found = service.present.alarms.get(alarm)
    if found is None:
        raise not_known("alarm", alarm, list(service.present.alarms))
    return alarm_of(service, found, service.clock.now())
