"""What the routes have in common: the service, JSON as the interface has it, times and pages in queries, what plans say."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Sequence
from datetime import UTC, datetime, timedelta
from typing import Annotated, Final, TypeVar

from fastapi import Depends, Query, Request
from fastapi.responses import Response

from api.http.json import list_bytes, to_bytes
from api.http.problems import Problem, not_known
from collector.read_model.answers import Busy, NotYet, in_time
from collector.read_model.kept import Place
from collector.read_model.running import RunningSource


async def service_of(request: Request) -> RunningSource:
    """Return the service that the application was made for; a coroutine, or each request would take a thread."""
    service: RunningSource = request.app.state.service
    return service


T = TypeVar("T")

Asked = Annotated[RunningSource, Depends(service_of)]
Limit = Annotated[int, Query(ge=1, le=1000, description="the most items to give")]

Shares = Annotated[
    list[Annotated[float, Query(gt=0, le=1)]],
    Query(
        alias="share",
        min_length=1,
        max_length=20,
        description="parts of the time, over 0 to 1; may stand several times",
    ),
]
From = Annotated[str | None, Query(alias="from", description="RFC 3339; a month before `to` if left out")]
To = Annotated[str | None, Query(alias="to", description="RFC 3339; now if left out")]


_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND: Final = timedelta(microseconds=1)
BUSY: Final = "What is judged comes first, and other plans are being reckoned"
BUSY_AGAIN_S: Final = 5
"""After so long it is worth asking again, s."""
SHORT: Final = 100
"""Items that are put into JSON on the event loop: about a millisecond's work."""
YEARS: Final = range(1900, 2200)
"""What a query may name: with room before and after it for what is reckoned from it."""


def span(
    service: RunningSource, start: str | None, end: str | None, default: timedelta
) -> tuple[datetime, datetime]:
    """Return a span from a query: its end now, its start `default` before the end, where left out. Raises Problem."""
    until = moment(end, "to", service.clock.now())
    since = moment(start, "from", until - default)
    if since >= until:
        raise Problem(422, "wrong-input", "from: want a time before `to`")
    return since, until


def answer(value: object, status: int = 200) -> Response:
    """Return a value as the interface's JSON."""
    return Response(to_bytes(value), status_code=status, media_type="application/json")


async def listed(values: Sequence[object], following: str | None = None, **beside: object) -> Response:
    """Return a list as the interface has it, put into JSON off the event loop where it is long."""
    if len(values) <= SHORT:
        content = list_bytes(values, following, **beside)
    else:
        content = await asyncio.to_thread(list_bytes, values, following, **beside)
    return Response(content, media_type="application/json")


def moment(text: str | None, name: str, default: datetime) -> datetime:
    """Return a time from a query, RFC 3339 with its zone, of the years in `YEARS`. Raises Problem."""
    if text is None:
        return default
    try:
        # a bare + in a query arrives as a blank
        given = datetime.fromisoformat(text.replace(" ", "+"))
        found = None if given.tzinfo is None else given.astimezone(UTC)
    except (ValueError, OverflowError):  # the first and the last hours of the calendar have no other zone
        found = None
    if found is None:
        raise Problem(422, "wrong-input", f"{name}: want a time like 2026-11-24T14:00:00Z; got {text[:60]!r}")
    if found.year not in YEARS:
        want = f"want a year from {YEARS.start} to {YEARS.stop - 1}"
        raise Problem(422, "wrong-input", f"{name}: {want}; got {text[:60]!r}")
    return found


def mark(text: str | None) -> int | None:
    """Return the number in a `next` mark. Raises Problem."""
    if text is None:
        return None
    if not text.isdigit() or len(text) > 18:
        raise Problem(422, "wrong-input", f"after: want a mark as `next` gave it; got {text[:40]!r}")
    return int(text)


def place(text: str | None) -> Place | None:
    """Return the place in a `next` mark of a list that is newest first. Raises Problem."""
    if text is None:
        return None
    time, _, name = text.partition("-")
    if not (time.isascii() and time.isdigit() and name and len(time) <= 16):
        raise Problem(422, "wrong-input", f"after: want a mark as `next` gave it; got {text[:40]!r}")
    return _EPOCH + int(time) * _MICROSECOND, name


def mark_of(where: Place | None) -> str | None:
    """Return a place as the `next` mark; None at the end."""
    return None if where is None else f"{(where[0] - _EPOCH) // _MICROSECOND}-{where[1]}"


def known_system(service: RunningSource, system: str) -> None:
    """Raise the problem where there is no such system."""
    if system not in service.estate.systems:
        raise not_known("system", system, list(service.estate.systems))


def not_yet(error: NotYet) -> Problem:
    """Return the problem that a system was not read yet."""
    return Problem(
        503, "not-yet", f"System {str(error)!r} has not been read since the start.", retry_after_s=5
    )


async def reckoned(asked: Awaitable[T]) -> T:
    """Return what was reckoned; say so where it cannot be now, or what was wrong with the question."""
    try:
        return await in_time(asked)
    except NotYet as error:
        raise not_yet(error) from error
    except Busy as error:
        raise Problem(
            503, "busy", f"{BUSY}; ask again in {BUSY_AGAIN_S} s.", retry_after_s=BUSY_AGAIN_S
        ) from error
    except ValueError as error:
        raise Problem(422, "wrong-input", str(error)) from error
