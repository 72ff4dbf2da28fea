"""What was sent to whom, and what waits: the outbox."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Final

from fastapi import APIRouter, Query
from fastapi.responses import Response

from api.http.answer_forms import Shaped, items_of
from api.http.problems import told
from api.http.schemas import OnCallNow
from api.routes.dependencies import Asked, Limit, answer, mark
from collector.read_model.kept import Outgoing, Sending
from collector.read_model.telling import on_call_now

router = APIRouter(prefix="/v1", tags=["telling"])

MESSAGE: Final = Shaped(
    "SentMessage",
    {
        "id": str, "channel": str, "destination": str, "created": datetime, "incident": str | None,
        "sending": Sending, "attempts": int, "result": str | None, "urgent": bool, "body": dict,
    },
    "A message: to whom, by what, when, what came back.",
)  # fmt: skip


@router.get("/on-call", responses=told(gives=OnCallNow))
async def on_call(service: Asked) -> Response:
    """Give who is on call now, by rota."""
    return answer({"items": on_call_now(service.configuration.people, service.clock.now()), "next": None})


@router.get("/messages", responses=told(422, gives=items_of(MESSAGE)))
async def messages(
    service: Asked,
    sending: Annotated[
        Sending | None,
        Query(
            description="waiting, sent, dead (given up), or unneeded (there was nothing left to tell when its turn came)"
        ),
    ] = None,
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
