"""Standby sets, and the site's own word about them: nothing in RFC 1628 tells that a generator runs."""

from __future__ import annotations

import hmac
from typing import Annotated, Final

from fastapi import APIRouter, Header
from fastapi.responses import Response

from api.http.answer_forms import Shaped, items_of
from api.http.problems import Problem, not_known, told
from api.routes.dependencies import Asked, answer
from collector.read_model.answers import SetSaid
from collector.read_model.running import RunningSource
from rules.generator.outage_source import Learnt, SetWord
from rules.generator.test_runs import SetRun, SetTest

router = APIRouter(prefix="/v1/generators", tags=["generators"])

GENERATOR: Final = Shaped(
    "StandbySet",
    {
        "id": str,
        "rating_w": float,
        "test_every_days": int,
        "word": SetWord | None,
        "test": SetTest,
        "runs": list[SetRun],
        "starts": Learnt,
    },
    "A standby generator: what the site says of it, its runs on load, its starts, its next test.",
)
WORD: Final = Shaped(
    "SetWordTaken",
    {"generator": str, "running": bool, "carries": bool, "load_w": float, "event": int | None},
    "The site's word as it was taken; `event` is null where it repeats the last.",
)


@router.get("", responses=told(gives=items_of(GENERATOR)))
async def generators(service: Asked) -> Response:
    """Give every standby generator: what the site says of it, its runs on load, its starts, its next test."""
    return answer({"items": [_set(service, name) for name in service.estate.generators], "next": None})


@router.get("/{generator}", responses=told(404, 422, gives=GENERATOR))
async def generator(service: Asked, generator: str) -> Response:
    """Give one standby generator; of the load of a run, `seen_w` is the part that the cards saw, at the least."""
    if generator not in service.estate.generators:
        raise not_known("generator", generator, list(service.estate.generators))
    return answer(_set(service, generator))


def _set(service: RunningSource, name: str) -> dict[str, object]:
    outages, known = service.outages, service.estate.generators[name]
    return {
        "id": name,
        "rating_w": known.rating_w,
        "test_every_days": known.test_every_days,
        "word": outages.last_word(name),
        "test": outages.set_test(name, service.clock.now()),
        "runs": outages.runs(name),
        "starts": outages.learnt(name),
    }


@router.post("/{generator}/state", responses=told(401, 404, 422, gives=WORD))
async def state(
    service: Asked,
    generator: str,
    said: SetSaid,
    authorization: Annotated[
        str | None, Header(description="Bearer and the token that `[listen] site_secret` names")
    ] = None,
) -> Response:
    """Take the site's word that a generator runs and carries load; it is the best evidence of a start there is.

    May be sent as often as wanted: `event` is its line in the journal, null where it repeats the last. The same
    by a broker: `[set_words]` of the estate file.
    """
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
    seq = await service.set_word(generator, running=said.running, carries=said.carries, load_w=said.load_w)
    return answer({"generator": generator, **said.model_dump(), "event": seq})
