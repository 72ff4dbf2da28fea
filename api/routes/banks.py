"""Banks: capacity, ageing, evidence, charging, dates."""

from __future__ import annotations

from fastapi import APIRouter
from fastapi.responses import Response

from api.problems import Problem, not_known, told
from api.routes.asking import Asked, answer

router = APIRouter(prefix="/v1/banks", tags=["banks"])


@router.get("", responses=told())
async def banks(service: Asked) -> Response:
    """Give every bank that has been judged."""
    present = service.present
    return answer(
        {"items": [present.banks[b] for b in service.estate.banks if b in present.banks], "next": None}
    )


@router.get("/{bank}", responses=told(404, 422, 503))
async def bank(service: Asked, bank: str) -> Response:
    """Give one bank."""
    if bank not in service.estate.banks:
        raise not_known("bank", bank, list(service.estate.banks))
    state = service.present.banks.get(bank)
    if state is None:
        raise Problem(503, "not-yet", f"Bank {bank!r} has not been judged since the start.", retry_after_s=10)
    return answer(state)
