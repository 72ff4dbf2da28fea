"""The site's own word about its sets: nothing in RFC 1628 tells that a generator runs."""

from __future__ import annotations

import hmac
from typing import Annotated

from fastapi import APIRouter, Header
from fastapi.responses import Response
from pydantic import BaseModel, ConfigDict, Field

from api.problems import Problem, not_known, told
from api.routes.asking import Asked, answer

router = APIRouter(prefix="/v1/generators", tags=["generators"])


class SetState(BaseModel):
    """What the site's contacts or its building system say of a set now."""

    model_config = ConfigDict(extra="forbid")

    running: bool = Field(description="the engine runs, volts and hertz are steady")
    carries: bool = Field(description="the changeover stands on the set: it carries the load")


@router.post("/{generator}/state", responses=told(401, 404, 422))
async def state(
    service: Asked,
    generator: str,
    said: SetState,
    authorization: Annotated[
        str | None, Header(description="Bearer and the token that `[listen] site_secret` names")
    ] = None,
) -> Response:
    """Take the site's word that a set runs and carries load; it is the best evidence of a start there is."""
    if generator not in service.estate.generators:
        raise not_known("generator", generator, list(service.estate.generators))
    token = service.site_token()
    if token is None:
        raise Problem(
            403, "no-token", "The estate file names no `[listen] site_secret`: the site's word is not taken."
        )
    shown = (authorization or "").removeprefix("Bearer ").strip()
    if not hmac.compare_digest(shown.encode(), token.encode()):
        raise Problem(
            401, "wrong-token", "Want the header Authorization: Bearer TOKEN with the site's token."
        )
    seq = await service.set_word(generator, running=said.running, carries=said.carries)
    return answer({"generator": generator, "running": said.running, "carries": said.carries, "event": seq})
