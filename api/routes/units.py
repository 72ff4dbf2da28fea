"""Units: the last reading with its age and doubts, the card's health, history of a quantity."""

from __future__ import annotations

from datetime import timedelta
from typing import Annotated

from fastapi import APIRouter, Query
from fastapi.responses import Response

from api.json import unit_json
from api.problems import Problem, not_known, told
from api.routes.asking import Asked, answer, moment
from api.sheet import sheet_of
from collector.history.store import QuantityUnknownError

router = APIRouter(prefix="/v1/units", tags=["units"])

Points = Annotated[int, Query(ge=1, le=5000, description="the most buckets to give")]


@router.get("", responses=told())
async def units(service: Asked) -> Response:
    """Give every unit's last reading."""
    sheet = sheet_of(service)
    return answer({"items": [unit_json(sheet, name) for name in service.estate.units], "next": None})


@router.get("/{unit}", responses=told(404, 422))
async def unit(service: Asked, unit: str) -> Response:
    """Give one unit's last reading, its age, what was doubted, how its card keeps up."""
    if unit not in service.estate.units:
        raise not_known("unit", unit, list(service.estate.units))
    return answer(unit_json(sheet_of(service), unit))


@router.get("/{unit}/history", responses=told(404, 422, 503))
async def history(
    service: Asked,
    unit: str,
    quantity: Annotated[
        str, Query(max_length=60, description="group and field of a reading, e.g. output_power_w")
    ],
    line: Annotated[
        int | None, Query(ge=1, le=3, description="the unit's own line, where the quantity has lines")
    ] = None,
    start: Annotated[
        str | None, Query(alias="from", description="RFC 3339; a day before `to` if left out")
    ] = None,
    end: Annotated[str | None, Query(alias="to", description="RFC 3339; now if left out")] = None,
    points: Points = 500,
) -> Response:
    """Give buckets of one quantity: min, mean, max, and how many readings of those expected were good."""
    if unit not in service.estate.units:
        raise not_known("unit", unit, list(service.estate.units))
    until = moment(end, "to", service.clock.now())
    since = moment(start, "from", until - timedelta(days=1))
    if since >= until:
        raise Problem(422, "wrong-input", "from: want a time before `to`")
    try:
        buckets = await service.series(unit, quantity, line, start=since, end=until, points=points)
    except QuantityUnknownError as error:
        raise Problem(422, "wrong-input", f"quantity: {error}") from None
    items = [
        {
            "from": b.start, "min": b.min, "mean": b.mean, "max": b.max,
            "good_count": b.good_count, "expected_count": b.expected_count,
        }
        for b in buckets
    ]  # fmt: skip
    return answer({"items": items, "next": None})
