"""Everything known as OpenMetrics text, for whoever keeps time series."""

from __future__ import annotations

import asyncio
from collections import Counter
from importlib.metadata import version
from typing import Annotated

from fastapi import APIRouter, Header
from fastapi.responses import Response

from api.http.metrics import media_type, rendered
from api.http.problems import Problem, told
from api.routes.dependencies import Asked

router = APIRouter(tags=["metrics"])


@router.get("/metrics", response_class=Response, responses=told(406))
async def metrics(
    service: Asked, accept: Annotated[str | None, Header(description="media types that are taken")] = None
) -> Response:
    """Give quantities and verdicts as OpenMetrics 1.0, to who takes only plain text as that; what is not known is left out."""
    media = media_type(accept)
    if media is None:
        detail = "It is given as application/openmetrics-text; version=1.0.0 and as text/plain. Accept one of them."
        raise Problem(406, "not-acceptable", detail)
    present = service.present
    standing = Counter(a.severity.value for a in present.alarms.values() if a.state.active)
    figures = service.own_figures()
    own = {
        "cards_answering_count": float(service.readiness().answering),
        "cards_count": float(len(present.figures)),
        "polls_count": float(figures.polls),
        "polls_late_count": float(figures.late),
        "polls_missed_count": float(figures.missed),
        "queue_age_s": figures.wait_s,
        "processing_s": figures.busy_s,
        "background_waiting_count": float(figures.background_count),
        "background_age_s": figures.background_s,
        "background_pieces_waiting_count": float(figures.budget_count),
        "background_debt_s": figures.budget_debt_s,
        "background_spent_s": figures.budget_spent_s,
    }
    if figures.oldest_reading_s is not None:
        own["oldest_reading_age_s"] = figures.oldest_reading_s
    # on a thread, over what is known at this moment: a thousand units must not hold up what waits for the loop
    text = await asyncio.to_thread(
        rendered,
        version=version("ridethrough"),
        now=service.clock.now(),
        systems=tuple(present.systems.values()),
        readings=tuple(present.readings.values()),
        ages_s={unit: service.reading_age_s(reading) for unit, reading in present.readings.items()},
        banks=tuple(present.banks.values()),
        alarms={s: standing.get(s, 0) for s in ("critical", "major", "minor", "warning")},
        own=own,
    )
    return Response(text, media_type=media, headers={"Vary": "Accept"})
