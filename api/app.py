"""The HTTP application: every route on one `Service`, guarded, its errors problem documents."""

from __future__ import annotations

from collections.abc import Iterable
from importlib.metadata import version
from typing import Any

from fastapi import FastAPI
from starlette.types import ASGIApp

from api import problems
from api.access import LOOPBACK_NAMES, OnlyFrom
from api.forms import Forms
from api.routes import (
    alarms,
    banks,
    events,
    generators,
    health,
    metrics,
    pages,
    plans,
    reports,
    signed,
    systems,
    telling,
    units,
    work,
)
from collector.service import Service


def create_app(service: Service, names: Iterable[str] = ()) -> ASGIApp:
    """Return the application. `names` are further host names it may be reached under."""
    app = _paths()
    app.state.service = service
    return OnlyFrom(Forms(app, service.clock.now), {*LOOPBACK_NAMES, *names})


def openapi() -> dict[str, Any]:
    """Return the OpenAPI document of the application; no service is needed to say what can be asked."""
    return _paths().openapi()


def _paths() -> FastAPI:
    app = FastAPI(
        title="ridethrough",
        version=version("ridethrough"),
        description="State, history and alarms of a site's standby power. Numbers are SI; null means not known.",
        docs_url=None,
        redoc_url=None,
        openapi_url="/openapi.json",
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
    ):
        app.include_router(module.router)
    app.include_router(pages.stream_router)
    app.include_router(reports.router)
    app.include_router(pages.router)
    return app
