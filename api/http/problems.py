"""Errors as problem documents (RFC 9457): what went wrong, in words a caller can act on."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from http import HTTPStatus
from typing import Any, Final

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response
from pydantic import BaseModel
from starlette.exceptions import HTTPException

from api.http.answer_forms import components, form_of
from collector.read_model.answers import ACT_OPEN, ActStanding, AtTheSiteError, HandedOnError
from collector.read_model.kept import StoreError

MEDIA_TYPE = "application/problem+json"


class Problem(Exception):  # noqa: N818 - the RFC's word
    """Raise to answer with a problem document. `kind` ends its `type`, a path below /problems/."""

    def __init__(self, status: int, kind: str, detail: str, **more: Any) -> None:  # noqa: ANN401 - any JSON value
        super().__init__(detail)
        self.status = status
        self.kind = kind
        self.detail = detail
        self.more = more


MEANS: Final[Mapping[int, str]] = {
    401: "nobody who may look is known: the session or the token is missing, wrong or over",
    403: "the host name or the page it was asked from is not let in, whoever asks may not do this, or no token is set",
    408: "the body did not come in time",
    413: "the body is larger than is taken",
    406: "what is given is of no type that the request accepts",
    404: "there is no such thing; the answer names what there is",
    421: "it is asked or done at a site, and this is a centre: the answer names the site's own address",
    409: "it cannot be done as things stand; the answer says why",
    422: "the question is not one that can be answered; the answer names the place",
    503: "not known yet, or too much asked at once: ask again",
}
"""What each status of a problem means."""
HANDED_ON: Final = "at a centre: it was handed on to its site, under the id of its `act`; how it stands is in `standing` and `text`"
"""What a status of 202 means where something is done."""
ANYWHERE: Final = frozenset({401, 403, 503})
OF_BODIES: Final = frozenset({408, 413, 422})
"""Statuses that any path may answer with, and any that takes a body."""


def told(*statuses: int, gives: object = None, status: int = 200) -> dict[int | str, dict[str, Any]]:
    """Return how a path's problems, and what it gives else, stand in the OpenAPI document, for `responses`.

    `gives`: a model, or the type of the value that is answered, with `status`.
    """
    answers: dict[int | str, dict[str, Any]] = {}
    if isinstance(gives, type) and issubclass(gives, BaseModel):
        answers = {status: {"model": gives}}
    elif gives is not None:
        answers = {status: {"content": {"application/json": {"schema": form_of(gives)}}}}
    return answers | {
        one: {"description": MEANS[one], "content": {MEDIA_TYPE: {"schema": {"type": "object"}}}}
        for one in sorted({*ANYWHERE, *statuses})
    }


def told_of_bodies(document: dict[str, Any]) -> dict[str, Any]:
    """Return an OpenAPI document in which every path that may be sent a body says how one is refused.

    The forms of what is answered stand among its components.
    """
    document.setdefault("components", {}).setdefault("schemas", {}).update(components())
    for methods in document["paths"].values():
        for method, operation in methods.items():
            if method == "post":
                answers = {str(status): answer for status, answer in told(*OF_BODIES).items()}
                answers["202"] = {"description": HANDED_ON}
                answers["303"] = {"description": "of a form that a page posted: it was done; the way back"}
                operation["responses"] = dict(sorted((answers | operation["responses"]).items()))
    return document


def not_known(noun: str, name: str, known: list[str]) -> Problem:
    """Return the problem "there is no such thing here", naming what there is."""
    listed = ", ".join(sorted(known)[:20]) or "none"
    return Problem(404, "not-known", f"There is no {noun} {name!r}. Known: {listed}.")


def problem(
    status: int, kind: str, detail: str, instance: str | None, more: Mapping[str, Any] | None = None
) -> bytes:
    """Return one problem document; `instance` is None where it is not known what was asked."""
    body = {
        "type": f"/problems/{kind}",
        "title": HTTPStatus(status).phrase,
        "status": status,
        "detail": detail,
        **({} if instance is None else {"instance": instance}),
        **(more or {}),
    }
    return json.dumps(body).encode()


def document(
    status: int, kind: str, detail: str, instance: str, more: Mapping[str, Any] | None = None
) -> Response:
    """Return the response that carries one problem document; where it says when to ask again, the header says so too."""
    again_s = (more or {}).get("retry_after_s")
    headers = None if again_s is None else {"Retry-After": f"{again_s:.0f}"}
    body = problem(status, kind, detail, instance, more)
    return Response(body, status_code=status, media_type=MEDIA_TYPE, headers=headers)


def install(app: FastAPI) -> None:
    """Make every error of `app` a problem document."""

    @app.exception_handler(Problem)
    async def _problem(request: Request, error: Problem) -> Response:
        return document(error.status, error.kind, error.detail, request.url.path, error.more)

    @app.exception_handler(StoreError)
    async def _store(request: Request, error: StoreError) -> Response:
        # where the store is, is nobody's business who only asks; what is wrong and what to do is
        return document(503, "store", f"{error.what}; {error.remedy}.", request.url.path)

    @app.exception_handler(AtTheSiteError)
    async def _at_the_site(request: Request, error: AtTheSiteError) -> Response:
        named = {s: a for s, a in error.addresses.items() if s in re.split(r"[/:]", request.url.path)}
        sites = [{"site": site, "address": address} for site, address in (named or error.addresses).items()]
        where = ", ".join(f"{one['site']} ({one['address']})" for one in sites)
        detail = f"Neither asked nor done at a centre, which shows what its sites say. Do it, or ask it, at the site: {where}."
        return document(421, "at-the-site", detail, request.url.path, {"sites": sites})

    @app.exception_handler(HandedOnError)
    async def _handed_on(request: Request, error: HandedOnError) -> Response:
        act = error.act
        if act.standing in ACT_OPEN or act.standing is ActStanding.DONE:
            said = {"act": act.id, "site": act.site, "standing": act.standing.value, "text": str(error)}
            return JSONResponse(said, 202)
        refused = act.standing is ActStanding.REFUSED
        status, kind = (409, "refused-at-the-site") if refused else (503, "site-not-reached")
        return document(status, kind, str(error), request.url.path, {"act": act.id, "site": act.site})

    @app.exception_handler(HTTPException)
    async def _http(request: Request, error: HTTPException) -> Response:
        if (
            error.status_code == HTTPStatus.BAD_REQUEST
        ):  # all that the framework says of a body it cannot read
            return document(422, "wrong-input", "body: want JSON in UTF-8", request.url.path)
        kind = HTTPStatus(error.status_code).phrase.lower().replace(" ", "-")
        response = document(error.status_code, kind, str(error.detail), request.url.path)
        response.headers.update(error.headers or {})
        return response

    @app.exception_handler(RequestValidationError)
    async def _invalid(request: Request, error: RequestValidationError) -> Response:
        faults = [
            {"place": ".".join(str(part) for part in e["loc"]), "want": e["msg"]} for e in error.errors()
        ]
        detail = "; ".join(f"{f['place']}: {f['want']}" for f in faults)
        return document(422, "wrong-input", detail, request.url.path, {"faults": faults})

    @app.exception_handler(Exception)
    async def _unexpected(request: Request, _error: Exception) -> Response:
        # The server logs the traceback; a caller is told nothing of the inside.
        return document(500, "fault", "A fault in ridethrough; its log says more.", request.url.path)
