"""Systems: state and verdicts."""

from __future__ import annotations

from fastapi import APIRouter
from fastapi.responses import Response

from api.problems import Problem, not_known
from api.routes.asking import Asked, answer

router = APIRouter(prefix="/v1/systems", tags=["systems"])


@router.get("")
async def systems(service: Asked) -> Response:
    """Give every system: load, units, redundancy, hold-up, requirements, on battery."""
    present = service.present
    found = [present.systems[name] for name in service.estate.systems if name in present.systems]
    return answer({"items": found, "next": None})


@router.get("/{system}")
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
