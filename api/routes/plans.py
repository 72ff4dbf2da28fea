"""Plans: ride-through, shedding, isolation, the size of what comes next, the replacement programme."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta
from typing import Annotated, Any, Final

from fastapi import APIRouter, Query
from fastapi.responses import Response

from api.http.answer_forms import Shaped, form_of, items_of
from api.http.problems import Problem, not_known, told
from api.http.scenario_body import DAY_S, ScenarioBody
from api.routes.dependencies import Asked, answer, known_system, moment, not_yet, reckoned
from collector.read_model.answers import Busy, EstateRide, EstateStage, NotYet
from collector.read_model.running import RunningSource
from rules.phrasing.programme_text import as_csv
from rules.phrasing.safety import ADVICE_ONLY, SAFETY
from rules.planning.isolation.check import Isolation
from rules.planning.programme.discharge_visits import DischargeVisit
from rules.planning.programme.programme import ProgrammeRow, Terms
from rules.planning.ridethrough.result import Ridethrough
from rules.planning.ridethrough.shedding import SheddingPlan
from rules.planning.sizing.replacement import Sizes, wanted_of
from rules.statistics.trend import MarginTrend
from rules.values.verdict import Verdict

router = APIRouter(tags=["plans"])

LONGEST_WINDOW: Final = timedelta(days=7)
RIDE: Final = items_of(
    Ridethrough,
    "A scenario for every system: how far it is, and the answers so far.",
    id=str,
    asked_at=datetime,
    starts_at=datetime | None,
    stage=EstateStage,
    done=int,
    of=int,
    verdict=Verdict | None,
    safety=list[str],
)
PROGRAMME: Final = items_of(
    ProgrammeRow,
    "Replacements and service by date, what cannot be dated and why, banks that are too small, cost by budget year.",
    as_of=date,
    undated=list[str],
    too_small=list[str],
    budget={"type": "array", "items": form_of(Shaped("BudgetYear", {"year": str, "cost": float}))},
    visits=list[DischargeVisit],
    safety=str,
)


@router.post("/v1/systems/{system}/ridethrough", responses=told(404, 422, 503, gives=Ridethrough))
async def ridethrough(service: Asked, system: str, scenario: ScenarioBody) -> Response:
    """Play a scenario out: time line of states, what happens when, verdict, margin, what was not checked."""
    known_system(service, system)
    try:
        played = scenario.value()
    except ValueError as error:
        raise Problem(422, "wrong-input", str(error)) from error
    starts_at = _begins(scenario, service.estate.site_of(system).time_zone)
    return answer(await reckoned(service.planner.ridethrough(system, played, starts_at)))


def _begins(scenario: ScenarioBody, time_zone: str) -> datetime | None:
    """Return when a scenario starts. Raises Problem for a time that no calendar holds in UTC."""
    try:
        return scenario.begins(time_zone)
    except (ValueError, OverflowError) as error:
        raise Problem(422, "wrong-input", "starts_at: want a time like 2026-11-24T14:00:00Z") from error


@router.post("/v1/ridethrough", status_code=202, responses=told(422, 503, gives=RIDE, status=202))
async def ridethrough_of_all(service: Asked, scenario: ScenarioBody) -> Response:
    """Have a scenario played for every system, one after the other; `Location` says where the answers come in."""
    try:
        played = scenario.value()
        zone = next(iter(service.estate.sites.values())).time_zone
        ride = service.estate_rides.ask(played, _begins(scenario, zone))
    except Busy as error:
        raise Problem(
            503, "busy", "Other scenarios are being played; ask again in a moment.", retry_after_s=5
        ) from error
    except ValueError as error:
        raise Problem(422, "wrong-input", str(error)) from error
    given = answer(_ride_json(ride), status=202)
    given.headers["Location"] = f"/v1/ridethrough/{ride.id}"
    return given


@router.get("/v1/ridethrough/{ride}", responses=told(404, gives=RIDE))
async def ridethrough_so_far(service: Asked, ride: str) -> Response:
    """Give how far a scenario for every system is, and the answers so far; they stand until newer ones push them out."""
    found = service.estate_rides.rides.get(ride)
    if found is None:
        raise not_known("ride", ride, list(service.estate_rides.rides))
    return answer(_ride_json(found))


def _ride_json(ride: EstateRide) -> dict[str, object]:
    return {
        "id": ride.id,
        "asked_at": ride.asked_at,
        "starts_at": ride.starts_at,
        "stage": ride.stage,
        "done": len(ride.results),
        "of": ride.of,
        "verdict": ride.verdict,
        "items": ride.results,
        "next": None,
        "safety": (SAFETY, ADVICE_ONLY),
    }


@router.get("/v1/systems/{system}/shedding", responses=told(404, 422, 503, gives=SheddingPlan))
async def shedding(
    service: Asked,
    system: str,
    wanted_s: Annotated[float, Query(gt=0.0, le=2 * DAY_S, description="hold-up to reach")],
    at_s: Annotated[float, Query(ge=0.0, le=DAY_S, description="when loads are shed")] = 120.0,
    unit_out: Annotated[list[str] | None, Query(description="units that are out")] = None,
) -> Response:
    """Give which load groups to shed, in which order, to reach a hold-up."""
    known_system(service, system)
    out = frozenset(unit_out or ())
    strangers = out - {unit.id for unit in service.estate.units_of(system)}
    if strangers:
        raise not_known("unit", min(strangers), [unit.id for unit in service.estate.units_of(system)])
    return answer(await reckoned(service.planner.shedding(system, wanted_s, out, at_s)))


@router.get("/v1/systems/{system}/isolation", responses=told(404, 422, 503, gives=Isolation))
async def isolation(
    service: Asked,
    system: str,
    unit: Annotated[str, Query(description="the unit to be taken out")],
    from_: Annotated[str | None, Query(alias="from", description="RFC 3339; default now")] = None,
    to: Annotated[str | None, Query(description="RFC 3339; default four hours later")] = None,
) -> Response:
    """Give whether a unit may be taken out for work in a window: each check with its reason, and when it would be."""
    known_system(service, system)
    start = moment(from_, "from", service.clock.now())
    end = moment(to, "to", start + timedelta(hours=4))
    if not start < end <= start + LONGEST_WINDOW:
        raise Problem(422, "wrong-input", "to: want a time after `from`, at most 7 days later")
    if unit not in {u.id for u in service.estate.units_of(system)}:
        raise not_known("unit", unit, [u.id for u in service.estate.units_of(system)])
    return answer(await reckoned(service.planner.isolation(system, unit, start, end)))


@router.get("/v1/systems/{system}/size", responses=told(404, 422, 503, gives=Sizes))
async def size(
    service: Asked,
    system: str,
    units: Annotated[int | None, Query(ge=1, le=16)] = None,
    spare_units: Annotated[int | None, Query(ge=0, le=8)] = None,
    years: Annotated[float, Query(gt=0.0, le=30.0)] = 10.0,
    growth_per_year: Annotated[
        float | None, Query(ge=-0.2, le=0.5, description="default: as the record shows")
    ] = None,
    power_factor: Annotated[float, Query(gt=0.0, le=1.0)] = 0.9,
    derating: Annotated[float, Query(gt=0.3, le=1.0, description="what the room leaves of a rating")] = 1.0,
    altitude_m: Annotated[float, Query(ge=0.0, le=5000.0)] = 0.0,
    required_s: Annotated[
        float | None, Query(gt=0.0, le=DAY_S, description="for the banks; default: the longest required")
    ] = None,
    bank_margin: Annotated[float, Query(ge=1.0, le=2.0, description="design margin of the banks")] = 1.10,
    energy_price_per_kwh: Annotated[
        float | None, Query(ge=0.0, description="default: as the estate file has it")
    ] = None,
) -> Response:
    """Give what size the replacement should be, as a range, from the load's record."""
    known_system(service, system)
    declared = wanted_of(service.estate, system)
    price = service.configuration.budget.energy_price_per_kwh
    wanted = replace(
        declared,
        units=declared.units if units is None else units,
        spare_units=declared.spare_units if spare_units is None else spare_units,
        years=years,
        growth_per_year=growth_per_year,
        power_factor=power_factor,
        derating=derating,
        altitude_m=altitude_m,
        energy_price_per_kwh=price if energy_price_per_kwh is None else energy_price_per_kwh,
    )
    if wanted.left < 1:
        raise Problem(422, "wrong-input", "spare_units: want fewer than units")
    try:
        found = await service.planner.sizes(system, wanted, required_s=required_s, bank_margin=bank_margin)
    except NotYet as error:
        raise not_yet(error) from error
    if found is None:
        raise Problem(503, "not-yet", service.planner.size_waits(system), retry_after_s=60)
    return answer(found)


@router.get("/v1/systems/{system}/margin", responses=told(404, 422, 503, gives=MarginTrend))
async def margin(service: Asked, system: str) -> Response:
    """Give how the redundancy margin moves, and the date it is gone at present growth."""
    known_system(service, system)
    try:
        return answer(await service.planner.margin(system))
    except NotYet as error:
        raise not_yet(error) from error


Month = Annotated[
    int | None,
    Query(ge=1, le=12, description="first month of the budget year; default: as the estate file has it"),
]
Price = Annotated[
    float | None, Query(ge=0.0, description="price of a block; default: as the estate file has it")
]


def _terms(service: RunningSource, budget_month: int | None, price_per_block: float | None = None) -> Terms:
    """Return how the site reckons: as the estate file has it, but for what the query says."""
    terms = service.configuration.budget.value()
    if budget_month is not None:
        terms = replace(terms, budget_month=budget_month)
    return terms if price_per_block is None else replace(terms, price_per_block=price_per_block)


@router.get("/v1/programme", responses=told(422, gives=PROGRAMME))
async def programme(service: Asked, budget_month: Month = None, price_per_block: Price = None) -> Response:
    """Give replacements and service by date, with reason, interval and budget year.

    `too_small` names the banks that renewing like for like does not help, each with what does.
    """
    found = await service.planner.jobs.programme(_terms(service, budget_month, price_per_block))
    return answer(
        {
            "items": found.rows,
            "next": None,
            "as_of": found.as_of,
            "undated": found.undated,
            "too_small": found.too_small,
            "budget": [{"year": year, "cost": cost} for year, cost in found.budget],
            "visits": found.visits,
            "safety": found.safety,
        }
    )


def _text(media_type: str) -> dict[int | str, dict[str, Any]]:
    """Return how an answer that is no JSON stands in the OpenAPI document."""
    return {200: {"content": {media_type: {"schema": {"type": "string"}}}}}


@router.get("/v1/programme.csv", response_class=Response, responses=told(422) | _text("text/csv"))
async def programme_csv(
    service: Asked, budget_month: Month = None, price_per_block: Price = None
) -> Response:
    """Give the programme as CSV."""
    found = await service.planner.jobs.programme(_terms(service, budget_month, price_per_block))
    return Response(
        as_csv(found.rows),
        media_type="text/csv; charset=utf-8",
        headers={"Content-Disposition": 'attachment; filename="programme.csv"'},
    )


@router.get("/v1/programme.ics", response_class=Response, responses=told(422) | _text("text/calendar"))
async def programme_calendar(service: Asked, budget_month: Month = None) -> Response:
    """Give the programme as a calendar feed (RFC 5545) whose entries keep their ids."""
    text = await service.planner.jobs.calendar(_terms(service, budget_month))
    return Response(text, media_type="text/calendar; charset=utf-8")
