"""How the alarms themselves do, and what was sent to whom: quality figures and the outbox."""

from __future__ import annotations

from datetime import timedelta
from typing import Annotated

from fastapi import APIRouter, Query
from fastapi.responses import Response

from api.problems import Problem
from api.routes.asking import Asked, Limit, answer, mark, moment
from collector.ledger.records import Outgoing, Sending

router = APIRouter(prefix="/v1", tags=["telling"])


@router.get("/alarm-quality")
async def alarm_quality(
    service: Asked,
    start: Annotated[
        str | None, Query(alias="from", description="RFC 3339; 30 days before `to` if left out")
    ] = None,
    end: Annotated[str | None, Query(alias="to", description="RFC 3339; now if left out")] = None,
) -> Response:
    """Give the figures of EEMUA 191 and ISA-18.2 over a period: rate, floods, chattering, stale, top ten, mix."""
    until = moment(end, "to", service.clock.now())
    since = moment(start, "from", until - timedelta(days=30))
    if since >= until:
        raise Problem(422, "wrong-input", "from: want a time before `to`")
    return answer(await service.alarm_quality(since, until))


@router.get("/messages")
async def messages(
    service: Asked,
    sending: Annotated[Sending | None, Query(description="waiting, sent, or dead (given up)")] = None,
    incident: Annotated[str | None, Query(max_length=100)] = None,
    after: Annotated[str | None, Query(description="the `next` of the page before")] = None,
    limit: Limit = 200,
) -> Response:
    """Give what was sent or waits to be sent, newest first: to whom, by what, when, and what came back."""
    page = await service.messages(sending=sending, incident=incident, before=mark(after), limit=limit)
    following = None if page.next is None else str(page.next)
    return answer({"items": [_message(line) for line in page.items], "next": following})


def _message(line: Outgoing) -> dict[str, object]:
    return {
        "id": line.id, "channel": line.channel, "destination": line.destination, "created": line.created,
        "incident": line.incident, "sending": line.sending, "attempts": line.attempts, "result": line.result,
        "urgent": line.urgent, "body": line.body,
    }  # fmt: skip
