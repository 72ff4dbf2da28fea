"""Banks: capacity, ageing, evidence, charging, dates; the records of their discharges."""

from __future__ import annotations

import asyncio
from datetime import timedelta
from typing import Annotated

from fastapi import APIRouter, Query
from fastapi.responses import Response

from api.http.problems import Problem, not_known, told
from api.http.schemas import DischargeRows, Discharges
from api.routes.dependencies import Asked, Limit, To, answer, listed, mark, mark_of, place, span
from collector.read_model.answers import DischargeRecord

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


@router.get("/{bank}/discharges", responses=told(404, 422, 503, gives=Discharges))
async def discharges(
    service: Asked,
    bank: str,
    start: Annotated[
        str | None, Query(alias="from", description="RFC 3339; ten years before `to` if left out")
    ] = None,
    end: To = None,
    after: Annotated[str | None, Query(description="the `next` of the page before")] = None,
    limit: Limit = 200,
) -> Response:
    """Give the records of a bank's discharges, newest first, without their rows."""
    if bank not in service.estate.banks:
        raise not_known("bank", bank, list(service.estate.banks))
    since, until = span(service, start, end, timedelta(days=3652))
    page = await service.looking_back.discharges(
        bank, start=since, end=until, after=place(after), limit=limit
    )
    # off the loop: each is told from all its rows
    told_of = await asyncio.to_thread(lambda: [_record(one) for one in page.items])
    return await listed(told_of, mark_of(page.next))


@router.get("/{bank}/discharges/{record}", responses=told(404, 422, 503, gives=DischargeRows))
async def discharge(
    service: Asked,
    bank: str,
    record: str,
    after: Annotated[str | None, Query(description="the `next` of the page before")] = None,
    limit: Limit = 1000,
) -> Response:
    """Give one discharge's record with its rows, in order: voltage, current, temperature, power."""
    if bank not in service.estate.banks:
        raise not_known("bank", bank, list(service.estate.banks))
    found = await service.looking_back.discharge(bank, record)
    if found is None:
        raise Problem(404, "not-known", f"Bank {bank!r} has no record of a discharge {record!r}.")
    first = mark(after) or 0
    rows = found.rows[first : first + limit]
    following = str(first + limit) if len(found.rows) > first + limit else None
    return await listed(rows, following, record=await asyncio.to_thread(_record, found))


def _record(one: DischargeRecord) -> dict[str, object]:
    return {
        "id": one.id, "bank": one.bank, "kind": one.kind, "at": one.at, "until": one.until, "phase": one.phase,
        "started_s": one.started_s, "ended_after_s": one.ended_after_s, "ended_s": one.ended_s,
        "ended_how": one.ended_how, "card_runtime_s": one.claimed_s, "row_count": len(one.rows),
        "longest_gap_s": one.longest_gap_s, "returned_ah": one.returned_ah,
    }  # fmt: skip
