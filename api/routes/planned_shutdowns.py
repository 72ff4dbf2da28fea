"""Planned shutdowns: signed, listed, withdrawn."""

from __future__ import annotations

from fastapi import APIRouter
from fastapi.responses import Response

from api.http.answer_forms import items_of
from api.http.problems import Problem, not_known, told
from api.http.shutdown_body import PLAN, SignBody, WithdrawBody, plan_json
from api.routes.dependencies import Asked, answer, known_system, reckoned
from collector.read_model.answers import NotSigned, SignedShutdown
from collector.read_model.running import RunningSource

router = APIRouter(prefix="/v1/systems/{system}/plans", tags=["plans"])


@router.get("", responses=told(404, 422, gives=items_of(PLAN)))
async def signed(service: Asked, system: str) -> Response:
    """Give every shutdown of a system that was ever signed, the next last: as signed, its course, what came of it."""
    known_system(service, system)
    plans = service.signed_plans
    return answer(
        {"items": [plan_json(kept, plans.breaches(kept)) for kept in plans.of(system)], "next": None}
    )


@router.post("", responses=told(404, 409, 422, 503, gives=PLAN))
async def sign(service: Asked, system: str, body: SignBody) -> Response:
    """Play a shutdown on what is known now, and sign it; what is not carried or cannot be judged is refused, with why."""
    known_system(service, system)
    starts_at = body.begins(service.estate.site_of(system).time_zone)
    try:
        scenario = body.shutdown()
    except ValueError as error:
        raise Problem(422, "wrong-input", str(error)) from error
    asked = service.signed_plans.sign(
        system, scenario, starts_at, by=body.by, note=body.note, limits=body.limits.value()
    )
    try:
        kept = await reckoned(asked)
    except NotSigned as error:
        raise Problem(409, "not-signed", str(error)) from error
    return _given(service, kept)


@router.get("/{plan}", responses=told(404, 422, gives=PLAN))
async def one(service: Asked, system: str, plan: str) -> Response:
    """Give one signed shutdown."""
    return _given(service, _plan(service, system, plan))


@router.post("/{plan}/withdraw", responses=told(404, 409, 422, gives=PLAN))
async def withdraw(service: Asked, system: str, plan: str, body: WithdrawBody) -> Response:
    """Withdraw a shutdown that is to come or runs; from then on it explains nothing."""
    _plan(service, system, plan)
    try:
        kept = await service.signed_plans.withdraw(plan, by=body.by, note=body.note)
    except NotSigned as error:
        raise Problem(409, "cannot-be-done", str(error)) from error
    return _given(service, kept)


def _given(service: RunningSource, kept: SignedShutdown) -> Response:
    return answer(plan_json(kept, service.signed_plans.breaches(kept)))


def _plan(service: RunningSource, system: str, plan: str) -> SignedShutdown:
    known_system(service, system)
    found = service.signed_plans.get(plan)
    if found is None or found.plan.system != system:
        raise not_known("plan", plan, [kept.id for kept in service.signed_plans.of(system)])
    return found
