"""Printed reports of a running service: one file each, with nothing beside it."""

from __future__ import annotations

from typing import Final

from fastapi import APIRouter
from fastapi.responses import HTMLResponse, Response

from api.http.problems import Problem, told
from api.pages.sheets import report as reports
from api.pages.sheets.report import Report
from api.pages.view import shown
from api.routes.dependencies import Asked, reckoned
from collector.read_model.answers import WORK
from collector.read_model.running import RunningSource
from collector.read_model.sources import isolation_of
from collector.read_model.wall_clock import WallClock

router = APIRouter(tags=["reports"], prefix="/reports", default_response_class=HTMLResponse)

HEADERS: Final = {
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cache-Control": "no-store",
    "Content-Security-Policy": f"default-src 'none'; style-src '{reports.style_hash()}'; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'",
}


@router.get("/estate", responses=told())
async def estate(service: Asked) -> Response:
    """Give the report of everything."""
    jobs = await service.planner.jobs.programme(service.configuration.budget.value())
    return await _given(service, reports.estate_report(await shown(service), jobs))


@router.get("/programme", responses=told())
async def programme(service: Asked) -> Response:
    """Give the report of what must be replaced, serviced and tested."""
    jobs = await service.planner.jobs.programme(service.configuration.budget.value())
    return await _given(service, reports.programme_report(await shown(service), jobs))


@router.get("/system/{name}", responses=told(404))
async def system(service: Asked, name: str) -> Response:
    """Give the report of one system."""
    return await _given(service, reports.system_report(await shown(service), name))


@router.get("/bank/{name}", responses=told(404))
async def bank(service: Asked, name: str) -> Response:
    """Give the report of one bank."""
    return await _given(service, reports.bank_report(await shown(service), name))


@router.get("/isolation/{name}", responses=told(404, 422, 503))
async def isolation(service: Asked, name: str) -> Response:
    """Give the report of whether a unit may be taken out in the next four hours."""
    unit = service.estate.units.get(name)
    if unit is None:
        return await _given(service, None)
    now = service.clock.now()
    checked = await reckoned(service.planner.isolation(unit.system, name, now, now + WORK))
    clock = WallClock(service.estate.site_of(unit.system).time_zone, now)
    return await _given(service, reports.isolation_report(isolation_of(checked, clock)))


async def _given(service: RunningSource, report: Report | None) -> Response:
    if report is None:
        raise Problem(404, "not-known", "There is no such report.")
    html = reports.document(await shown(service), report)
    return Response(html, media_type="text/html; charset=utf-8", headers=HEADERS)
