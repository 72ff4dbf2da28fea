"""Banks: capacity, ageing, evidence, charging, dates; the records of their discharges."""

from __future__ import annotations

import asyncio
from datetime import timedelta
from typing import Annotated, Literal

from fastapi import APIRouter, Query
from fastapi.responses import Response
from pydantic import AwareDatetime, BaseModel, ConfigDict, Field

from api.http.answer_forms import items_of
from api.http.problems import Problem, not_known, told
from api.http.said import Name
from api.http.schemas import DischargeRows, Discharges, PastTestKept
from api.routes.dependencies import (
    Asked,
    Limit,
    To,
    answer,
    listed,
    mark,
    mark_of,
    moment,
    place,
    reckoned,
    span,
)
from collector.read_model.answers import (
    DischargeRecord,
    ExpectedDischarge,
    JudgementFailed,
    PastTestError,
    Superseded,
    TriedTable,
)
from rules.battery.state import BankState

router = APIRouter(prefix="/v1/banks", tags=["banks"])


@router.get("", responses=told(gives=items_of(BankState)))
async def banks(service: Asked) -> Response:
    """Give every bank that has been judged."""
    present = service.present
    return answer(
        {"items": [present.banks[b] for b in service.estate.banks if b in present.banks], "next": None}
    )


@router.get("/{bank}", responses=told(404, 422, 503, gives=BankState))
async def bank(service: Asked, bank: str) -> Response:
    """Give one bank."""
    if bank not in service.estate.banks:
        raise not_known("bank", bank, list(service.estate.banks))
    state = service.present.banks.get(bank)
    if state is None:
        raise Problem(503, "not-yet", f"Bank {bank!r} has not been judged since the start.", retry_after_s=10)
    return answer(state)


@router.get("/{bank}/table", responses=told(404, 422, 503, gives=TriedTable))
async def table(
    service: Asked,
    bank: str,
    table: Annotated[
        str,
        Query(
            max_length=4000,
            description="pairs of minutes and watts, a pair a line, or the setting itself",
        ),
    ],
    per: Annotated[
        Literal["cell", "block"],
        Query(description="what the watts are of: makers print either; the line that comes back is per cell"),
    ] = "cell",
) -> Response:
    """Try a maker's table at a bank: how long its system would be said to hold, and the line for the estate file.

    It is held to the same as the file's. Nothing is kept: the plant is declared in the estate file alone. `banks` are all whose blocks
    the line is for.
    """
    if bank not in service.estate.banks:
        raise not_known("bank", bank, list(service.estate.banks))
    try:
        return answer(await reckoned(service.table_tried(bank, table, per_block=per == "block")))
    except (JudgementFailed, Superseded) as error:
        raise Problem(
            503, "busy", "It could not be tried just now; ask again in a moment.", retry_after_s=5
        ) from error


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


@router.get("/{bank}/discharges/{record}/expected", responses=told(404, 503, gives=ExpectedDischarge))
async def expected(service: Asked, bank: str, record: str) -> Response:
    """Give what a discharge was expected to be: the bank's volts as of the day before, and the power it would have to give.

    `volts` is the band in which nine of ten such banks lie at the power that was then drawn, null where nothing was known of the
    bank or too little was drawn; `read_v` what was read at the band's last moment, and `beside` where it lies. `power_w` is that of the
    units just before, null where no row shows it.
    """
    if bank not in service.estate.banks:
        raise not_known("bank", bank, list(service.estate.banks))
    found = await service.looking_back.discharge(bank, record)
    if found is None:
        raise Problem(404, "not-known", f"Bank {bank!r} has no record of a discharge {record!r}.")
    told_of = await service.expected_of(found)
    if told_of is None:
        raise Problem(503, "busy", "It is still being reckoned; ask again in a moment.", retry_after_s=5)
    return answer(told_of)


def _record(one: DischargeRecord) -> dict[str, object]:
    return {
        "id": one.id, "bank": one.bank, "kind": one.kind, "at": one.at, "until": one.until, "phase": one.phase,
        "started_s": one.started_s, "ended_after_s": one.ended_after_s, "ended_s": one.ended_s,
        "ended_how": one.ended_how, "card_runtime_s": one.claimed_s, "row_count": len(one.rows),
        "longest_gap_s": one.longest_gap_s, "returned_ah": one.returned_ah,
    }  # fmt: skip


class PastTest(BaseModel):
    """A logged discharge of the past, and who vouches for it."""

    model_config = ConfigDict(extra="forbid")

    by: Name = Field(description="who vouches for it")
    at: AwareDatetime = Field(description="RFC 3339, in the past: the time of the first row")
    csv: str = Field(
        min_length=1,
        max_length=60_000,
        description="the log: columns `t_s` and any of `bank_voltage_v`, `bank_current_a`, `temperature_c`, `output_power_w`",
    )
    kind: Literal["import", "acceptance"] = Field(
        "import", description="acceptance: the test that shows what new blocks give"
    )


@router.post("/{bank}/past-tests", responses=told(404, 422, gives=PastTestKept))
async def bring_past_test(service: Asked, bank: str, said: PastTest) -> Response:
    """Keep a past test as evidence of a bank; it is judged within a minute. Brought again, it takes the place of the first."""
    if bank not in service.estate.banks:
        raise not_known("bank", bank, list(service.estate.banks))
    now = service.clock.now()
    at = moment(said.at.isoformat(), "at", now)
    if at > now:
        raise Problem(422, "wrong-input", "at: want a time that is past")
    try:
        kept = await service.bring_past_test(bank, said.csv, at=at, by=said.by, kind=said.kind)
    except PastTestError as error:
        raise Problem(422, "wrong-input", f"csv: {error}") from error
    return answer({"id": kept, "bank": bank, "at": at})
