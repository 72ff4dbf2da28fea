"""Units: the last reading with its age and doubts, the card's health, history and percentiles of a quantity."""

from __future__ import annotations

from datetime import timedelta
from typing import Annotated

from fastapi import APIRouter, Query
from fastapi.responses import Response

from api.http.answer_forms import items_of
from api.http.json import UNIT, unit_json
from api.http.problems import Problem, not_known, told
from api.http.schemas import History, QuantityPercentiles
from api.routes.dependencies import Asked, From, Shares, To, answer, listed, span
from collector.read_model.history.queries import TooManyMeansError
from collector.read_model.kept import QuantityUnknownError
from collector.read_model.sheet_source import sheet_of

router = APIRouter(prefix="/v1/units", tags=["units"])

Quantity = Annotated[
    str, Query(max_length=60, description="group and field of a reading, e.g. output_power_w")
]
Line = Annotated[
    int | None, Query(ge=1, le=3, description="the unit's own line, where the quantity has lines")
]
Points = Annotated[int, Query(ge=1, le=5000, description="the most buckets to give")]


@router.get("", responses=told(gives=items_of(UNIT)))
async def units(service: Asked) -> Response:
    """Give every unit's last reading, as one unit's is given."""
    sheet = sheet_of(service)
    return answer({"items": [unit_json(sheet, name) for name in service.estate.units], "next": None})


@router.get("/{unit}", responses=told(404, 422, gives=UNIT))
async def unit(service: Asked, unit: str) -> Response:
    """Give one unit's last reading, its age, what was doubted, how its card keeps up.

    `age_s` is the age of `reading` by seconds that no set clock changes, `read_every_s` how often the unit is read now.
    `not_read` is null while the age is within three times that; else `why` is `no_answer` (its card was asked in time),
    `not_asked`, `not_judged` or `cannot_be_judged` (all three ridethrough's own fault), `because` says it in sentences,
    and `for_s` counts from the last reading since the start, or from the start.
    """
    if unit not in service.estate.units:
        raise not_known("unit", unit, list(service.estate.units))
    return answer(unit_json(sheet_of(service), unit))


@router.get("/{unit}/history", responses=told(404, 422, 503, gives=History))
async def history(
    service: Asked,
    unit: str,
    quantity: Quantity,
    line: Line = None,
    start: Annotated[
        str | None, Query(alias="from", description="RFC 3339; a day before `to` if left out")
    ] = None,
    end: To = None,
    points: Points = 500,
) -> Response:
    """Give buckets of one quantity: min, mean, max, and how many readings of those expected were good."""
    if unit not in service.estate.units:
        raise not_known("unit", unit, list(service.estate.units))
    since, until = span(service, start, end, timedelta(days=1))
    # Questions of the past wait for one another at the store's one thread for answers; what is true now (systems,
    # units, alarms, the page) comes out of memory, and waits for none of them.
    try:
        buckets = await service.series(unit, quantity, line, start=since, end=until, points=points)
    except QuantityUnknownError as error:
        raise Problem(422, "wrong-input", f"quantity: {error}") from None
    return await listed(buckets)


@router.get("/{unit}/percentiles", responses=told(404, 422, 503, gives=QuantityPercentiles))
async def percentiles(
    service: Asked,
    unit: str,
    quantity: Quantity,
    line: Line = None,
    start: From = None,
    end: To = None,
    shares: Shares = [0.05, 0.5, 0.95],  # noqa: B006 - fastapi copies it
    mean_of_s: Annotated[
        float, Query(ge=60, le=86400, description="percentiles are of means over so many seconds")
    ] = 300.0,
) -> Response:
    """Give percentiles of one quantity (load, or run time as the card says it): what it stays at or under for a share."""
    if unit not in service.estate.units:
        raise not_known("unit", unit, list(service.estate.units))
    since, until = span(service, start, end, timedelta(days=30))
    try:
        found = await service.looking_back.percentiles(
            unit, quantity, line, start=since, end=until, shares=shares, mean_of=timedelta(seconds=mean_of_s)
        )
    except QuantityUnknownError as error:
        raise Problem(422, "wrong-input", f"quantity: {error}") from None
    except TooManyMeansError as error:
        raise Problem(422, "wrong-input", f"mean_of_s: {error}") from None
    return answer(
        {
            "items": found.items, "mean_of_s": found.mean_of_s, "good_count": found.good_count,
            "expected_count": found.expected_count, "next": None,
        }
    )  # fmt: skip
