"""The HTTP application: every route on one `Service`, guarded, its errors problem documents."""

from __future__ import annotations

import json
from collections.abc import Iterable
from importlib.metadata import version
from typing import Any

from fastapi import FastAPI, Request
from fastapi.responses import Response
from starlette.types import ASGIApp

from api.access.gate import Access, AccessGate
from api.access.terms import LOOPBACK, AccessTerms
from api.http import problems
from api.http.access import LOOPBACK_NAMES, OnlyFrom
from api.http.doors import Doors, Inside, PlainAnswers
from api.http.forms import Forms
from api.http.problems import told_of_bodies
from api.http.sparing import Sparing
from api.pages.problem_pages import ProblemPages
from api.routes import (
    alarms,
    banks,
    events,
    generators,
    health,
    pages,
    plans,
    reports,
    systems,
    units,
    users,
    work,
)
from api.routes import messages as telling
from api.routes import openmetrics as metrics
from api.routes import planned_shutdowns as signed
from collector.read_model.running import RunningSource


def create_app(
    service: RunningSource,
    names: Iterable[str] = (),
    doors: Doors | None = None,
    terms: AccessTerms = LOOPBACK,
) -> ASGIApp:
    """Return the application. `names` are further host names it may be reached under; `doors` those of its server."""
    app = _paths()
    app.state.service = service
    app.state.access = access = Access(service.access, terms, service.clock.now, service.clock.monotonic_s)
    inside = Inside(Forms(AccessGate(Sparing(app), access), service.clock.now), (doors or Doors()).refused)
    return PlainAnswers(ProblemPages(OnlyFrom(inside, {*LOOPBACK_NAMES, *names})))


def openapi() -> dict[str, Any]:
    """Return the OpenAPI document of the application; no service is needed to say what can be asked."""
    return _paths().openapi()


class _Paths(FastAPI):
    """The paths; their document also says what every path refuses alike."""

    def openapi(self) -> dict[str, Any]:
        """Return the OpenAPI document."""
        if self.openapi_schema is None:
            self.openapi_schema = told_of_bodies(super().openapi())
        return self.openapi_schema


async def _document(request: Request) -> Response:
    """Give the OpenAPI document."""
    state = request.app.state
    if not hasattr(state, "document"):
        state.document = json.dumps(request.app.openapi()).encode()
    return Response(state.document, media_type="application/json")


def _paths() -> FastAPI:
    app = _Paths(
        title="ridethrough",
        version=version("ridethrough"),
        description="State, history and alarms of a site's standby power. Numbers are SI; null means not known.",
        docs_url=None,
        redoc_url=None,
        openapi_url=None,  # `_document` gives it, made once
        separate_input_output_schemas=False,
    )
    problems.install(app)
    for module in (
        health,
        systems,
        units,
        banks,
        alarms,
        events,
        plans,
        signed,
        work,
        metrics,
        telling,
        generators,
        users,
    ):
        app.include_router(module.router)
    app.include_router(health.steps_router)
    app.include_router(systems.sites_router)
    app.include_router(pages.stream_router)
    app.add_api_route("/openapi.json", _document, include_in_schema=False)
    app.include_router(reports.router)
    app.include_router(users.own_router)
    app.include_router(telling.page_router)
    app.include_router(pages.router)
    return app
