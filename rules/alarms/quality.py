"""How good the alarms themselves are: the figures of EEMUA 191 and ISA-18.2 over a period.

Counted are alarms as people meet them: each occurrence that was told. Limits as quoted by the trade: about
150 a day very likely acceptable, 300 manageable at most; a flood is more than 10 in 10 minutes, over when
fewer than 5 come; chattering is 3 in a minute; stale is standing for more than a day.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from rules.alarms.lifecycle.course import CHATTER_COUNT, CHATTER_WITHIN_S
from rules.values.severity import Severity

TEN_MINUTES: Final = timedelta(minutes=10)
CHATTER_WITHIN: Final = timedelta(seconds=CHATTER_WITHIN_S)
FLOOD_ABOVE: Final = 10
FLOOD_OVER_BELOW: Final = 5
STALE_AFTER: Final = timedelta(days=1)
ACCEPTABLE_PER_DAY: Final = 150.0
MANAGEABLE_PER_DAY: Final = 300.0


@dataclass(frozen=True, slots=True)
class Occurrence:
    """One alarm that was told: when, which, how grave, and when it returned (None: still there)."""

    at: datetime
    alarm: str
    kind: str
    severity: Severity
    returned_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Often:
    """One alarm and how often it came, as a part of all."""

    alarm: str
    count: int
    fraction: float


@dataclass(frozen=True, slots=True)
class Quality:
    """The figures of a period. `flood_fraction`: part of all 10-minute periods that lay in a flood."""

    start: datetime
    end: datetime
    count: int
    per_day: float | None
    per_ten_minutes: float | None
    most_in_ten_minutes: int
    most_in_an_hour: int
    floods: int
    flood_fraction: float | None
    chattering: tuple[str, ...]
    stale: tuple[str, ...]
    top_ten: tuple[Often, ...]
    top_ten_fraction: float | None
    severities: Mapping[str, float]
    verdict: str
    """"acceptable", "manageable" or "overloaded" by the rate, "no_data" for an empty period."""


def quality(occurrences: Sequence[Occurrence], start: datetime, end: datetime) -> Quality:
    """Return the figures of a period. Raises ValueError when it ends before it begins."""
    if end < start:
        raise ValueError(f"a period must not end ({end}) before it begins ({start})")
    inside = sorted((o for o in occurrences if start <= o.at < end), key=lambda o: (o.at, o.alarm))
    days = (end - start) / timedelta(days=1)
    bins = _binned(inside, start, end)
    floods, in_flood = _floods(bins)
    often = Counter(o.alarm for o in inside)
    top = tuple(
        Often(alarm, n, n / len(inside))
        for alarm, n in sorted(often.items(), key=lambda i: (-i[1], i[0]))[:10]
    )
    per_day = len(inside) / days if days > 0 else None
    return Quality(
        start=start,
        end=end,
        count=len(inside),
        per_day=per_day,
        per_ten_minutes=len(inside) / len(bins) if bins else None,
        most_in_ten_minutes=max(bins, default=0),
        most_in_an_hour=_most_within(inside, timedelta(hours=1)),
        floods=floods,
        flood_fraction=in_flood / len(bins) if bins else None,
        chattering=_chattering(inside),
        stale=tuple(sorted({o.alarm for o in occurrences if _stale(o, start, end)})),
        top_ten=top,
        top_ten_fraction=sum(o.count for o in top) / len(inside) if inside else None,
        severities={
            s.value: sum(o.severity is s for o in inside) / len(inside) if inside else 0.0 for s in Severity
        },
        verdict=_verdict(per_day),
    )


def _verdict(per_day: float | None) -> str:
    if per_day is None:
        return "no_data"
    if per_day <= ACCEPTABLE_PER_DAY:
        return "acceptable"
    return "manageable" if per_day <= MANAGEABLE_PER_DAY else "overloaded"


def _binned(inside: Sequence[Occurrence], start: datetime, end: datetime) -> list[int]:
    number = -(-(end - start) // TEN_MINUTES)
    bins = [0] * number
    for one in inside:
        bins[(one.at - start) // TEN_MINUTES] += 1
    return bins


def _floods(bins: Sequence[int]) -> tuple[int, int]:
    """Return how many floods there were and how many 10-minute periods lay in one."""
    floods = periods = 0
    flooding = False
    for count in bins:
        if not flooding and count > FLOOD_ABOVE:
            flooding = True
            floods += 1
        elif flooding and count < FLOOD_OVER_BELOW:
            flooding = False
        periods += flooding
    return floods, periods


def _most_within(inside: Sequence[Occurrence], span: timedelta) -> int:
    most = first = 0
    for last, one in enumerate(inside):
        while one.at - inside[first].at >= span:
            first += 1
        most = max(most, last - first + 1)
    return most


def _chattering(inside: Sequence[Occurrence]) -> tuple[str, ...]:
    times: dict[str, list[datetime]] = {}
    for one in inside:
        times.setdefault(one.alarm, []).append(one.at)
    return tuple(
        sorted(
            alarm
            for alarm, at in times.items()
            if any(b - a < CHATTER_WITHIN for a, b in zip(at, at[CHATTER_COUNT - 1 :], strict=False))
        )
    )


def _stale(one: Occurrence, start: datetime, end: datetime) -> bool:
    """Return whether an alarm stood for more than a day by some moment of the period."""
    until = min(one.returned_at or end, end)
    return until > start and until - one.at > STALE_AFTER
