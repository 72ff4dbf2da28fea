"""The journal: what happened, newest first; and incidents, one a cause."""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import APIRouter, Query
from fastapi.responses import Response
from pydantic import AwareDatetime, BaseModel, ConfigDict, Field

from api.http.problems import Problem, told
from api.http.said import Name
from api.http.schemas import Events, Incidents, OutageMarked
from api.routes.dependencies import Asked, Limit, answer, listed, mark, mark_of, moment, place
from collector.read_model.answers import NoSuchOutage
from collector.read_model.kept import ASKED, JournalLine
from collector.read_model.outages.incidents import incident_as_read
from rules.generator.outage_source import OutageSource

router = APIRouter(prefix="/v1", tags=["events"])


@router.get("/events", responses=told(422, gives=Events))
async def events(
    service: Asked,
    about: Annotated[
        str | None, Query(max_length=100, description="id of a system, unit, bank or supply")
    ] = None,
    start: Annotated[str | None, Query(alias="from")] = None,
    end: Annotated[str | None, Query(alias="to")] = None,
    after: Annotated[str | None, Query(description="the `next` of the page before")] = None,
    limit: Limit = 200,
) -> Response:
    """Give the journal, newest first."""
    now = service.clock.now()
    page = await service.events(
        about=about,
        start=None if start is None else moment(start, "from", now),
        end=None if end is None else moment(end, "to", now),
        before=mark(after),
        limit=limit,
    )
    following = None if page.next is None else str(page.next)
    return await listed([_event(line) for line in page.items], following)


@router.get("/incidents", responses=told(422, gives=Incidents))
async def incidents(
    service: Asked,
    after: Annotated[str | None, Query(description="the `next` of the page before")] = None,
    limit: Limit = 200,
) -> Response:
    """Give incidents, newest first."""
    page = await service.incidents(after=place(after), limit=limit)
    return await listed([incident_as_read(one) for one in page.items], mark_of(page.next))


class OutageMark(BaseModel):
    """What fed a supply when it came back, by a person's knowledge."""

    model_config = ConfigDict(extra="forbid")

    by: Name = Field(description="who says so")
    source: Literal["mains", "generator", "unknown"] = Field(
        description="what fed the supply when it came back; unknown where nobody can tell"
    )
    lost_at: AwareDatetime | None = Field(
        default=None,
        description="when it was lost, where the incident has several losses; else the first unknown",
    )


@router.post("/incidents/{incident}/mark", responses=told(404, 422, gives=OutageMarked))
async def mark_outage(service: Asked, incident: str, said: OutageMark) -> Response:
    """Take a person's mark on an outage; start times of the generator are learnt only with such evidence."""
    lost_at = None if said.lost_at is None else moment(said.lost_at.isoformat(), "lost_at", said.lost_at)
    try:
        seq = await service.mark_outage(
            incident, by=said.by, source=OutageSource(said.source), lost_at=lost_at
        )
    except NoSuchOutage as error:
        raise Problem(
            404,
            "not-known",
            f"{incident}: want an incident in which a supply with a generator behind it was lost.",
        ) from error
    return answer({"incident": incident, "by": said.by, "source": said.source, "event": seq})


def _event(line: JournalLine) -> dict[str, object]:
    return {
        "seq": line.seq, "at": line.at, "kind": line.kind, "about": line.about, "text": line.text,
        "incident": line.incident, "alarm": line.alarm, "asked": line.body.get(ASKED),
    }  # fmt: skip
