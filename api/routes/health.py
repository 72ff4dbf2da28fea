"""Is it alive; is it reading its cards; how far its first days have brought it."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from typing import Final

from fastapi import APIRouter, Request
from fastapi.responses import Response

from api.access.callers import Caller
from api.http.answer_forms import Shaped
from api.http.problems import told
from api.http.schemas import FirstSteps
from api.pages.view import shown
from api.routes.dependencies import Asked, answer
from collector.read_model.own_figures import Readiness

router = APIRouter(prefix="/health", tags=["health"])


ALIVE: Final = Shaped("Alive", {"alive": bool, "started_at": datetime}, "Whether the loop turns.")

steps_router = APIRouter(prefix="/v1", tags=["health"])


@steps_router.get("/first-steps", responses=told(gives=FirstSteps))
async def first_steps(service: Asked) -> Response:
    """Give the steps that make known what an estate file cannot say: how much of each is done, and what speaks for each bank."""
    begun = (await shown(service)).begun
    steps = () if begun is None else begun.steps
    banks = () if begun is None else begun.banks
    return answer(
        {
            "steps": [{"id": s.kind, "done": s.done, "of": s.of, "left": s.left} for s in steps],
            "banks": banks,
        }
    )


@router.get("/live", responses=told(gives=ALIVE) | {503: {"description": "the loop does not turn"}})
async def live(service: Asked) -> Response:
    """Answer 200 while the service's own loop turns, else 503."""
    alive = service.turning()
    return answer({"alive": alive, "started_at": service.started_at}, 200 if alive else 503)


@router.get("/ready", responses=told(gives=Readiness) | {503: {"description": "no card answers"}})
async def ready(service: Asked, request: Request) -> Response:
    """Answer 200 once at least one card answers, else 503; names the silent ones to whoever may look."""
    found = service.readiness()
    caller: Caller = request.state.caller
    if caller.role is None:
        found = replace(found, silent=())
    return answer(found, 200 if found.ready else 503)
