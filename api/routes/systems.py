"""Systems: state and verdicts."""

from __future__ import annotations

from datetime import timedelta
from typing import Annotated

from fastapi import APIRouter, Query
from fastapi.responses import Response

from api.http.answer_forms import items_of
from api.http.problems import Problem, not_known, told
from api.http.schemas import LoadPercentiles
from api.routes.dependencies import Asked, From, Shares, To, answer, span
from collector.read_model.history.queries import TooManyMeansError
from collector.read_model.own_figures import HeardSite
from rules.battery.assessment.runtime_trend import BankRuntime
from rules.system.state import SystemState

router = APIRouter(prefix="/v1/systems", tags=["systems"])
sites_router = APIRouter(prefix="/v1/sites", tags=["systems"])


@router.get("", responses=told(gives=items_of(SystemState, not_yet=list[str])))
async def systems(service: Asked) -> Response:
    """Give every system: load, units, redundancy, hold-up, requirements, on battery.

    `not_yet` names those of which nothing was read since the start, and which therefore do not stand there.
    """
    present = service.present
    found = [present.systems[name] for name in service.estate.systems if name in present.systems]
    missing = [name for name in service.estate.systems if name not in present.systems]
    return answer({"items": found, "next": None, "not_yet": missing})


@sites_router.get("", responses=told(gives=items_of(HeardSite)))
async def sites(service: Asked) -> Response:
    """Give the sites that a centre hears: when last, and since when each is quiet. None where cards are read here."""
    return answer({"items": service.heard(), "next": None})


@router.get("/{system}", responses=told(404, 422, 503, gives=SystemState))
async def system(service: Asked, system: str) -> Response:
    """Give one system."""
    if system not in service.estate.systems:
        raise not_known("system", system, list(service.estate.systems))
    state = service.present.systems.get(system)
    if state is None:
        raise Problem(
            503, "not-yet", f"System {system!r} has not been read since the start.", retry_after_s=5
        )
    return answer(state)


@router.get("/{system}/runtime", responses=told(404, 422, gives=items_of(BankRuntime)))
async def runtime(
    service: Asked,
    system: str,
    start: Annotated[
        str | None, Query(alias="from", description="RFC 3339; ten years before `to` if left out")
    ] = None,
    end: To = None,
) -> Response:
    """Give each bank's run time at its power of today by each judged discharge, its slope, and the line a year on."""
    if system not in service.estate.systems:
        raise not_known("system", system, list(service.estate.systems))
    since, until = span(service, start, end, timedelta(days=3652))
    return answer({"items": service.runtimes(system, since, until), "next": None})


@router.get("/{system}/load/percentiles", responses=told(404, 422, 503, gives=LoadPercentiles))
async def load_percentiles(
    service: Asked,
    system: str,
    start: From = None,
    end: To = None,
    shares: Shares = [0.05, 0.5, 0.95],  # noqa: B006 - fastapi copies it
) -> Response:
    """Give percentiles of a system's load by board line, of means over a quarter of an hour."""
    if system not in service.estate.systems:
        raise not_known("system", system, list(service.estate.systems))
    since, until = span(service, start, end, timedelta(days=30))
    try:
        found = await service.looking_back.load_percentiles(system, start=since, end=until, shares=shares)
    except TooManyMeansError as error:
        raise Problem(422, "wrong-input", f"from: {error}") from None
    return answer({"items": found, "next": None})
