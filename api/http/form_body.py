"""The fields of a form that a page of ours posts to a page of ours, and not as JSON to the interface."""

from __future__ import annotations

from typing import Final
from urllib.parse import parse_qsl

from fastapi import Request

from api.http.problems import Problem

FORM: Final = "application/x-www-form-urlencoded"
MOST_FIELDS: Final = 8


async def form_fields(request: Request) -> dict[str, str]:
    """Return a form's fields. Raises Problem."""
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    try:
        body = (await request.body()).decode("ascii")
        said = parse_qsl(body, max_num_fields=MOST_FIELDS, errors="strict") if kind == FORM else None
    except ValueError:
        said = None
    if said is None:
        raise Problem(422, "wrong-input", f"want a form as a page posts it ({FORM})")
    return dict(said)
