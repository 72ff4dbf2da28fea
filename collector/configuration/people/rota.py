"""Who is on call at a moment, and when that changes: turns of equal length, and who stands in for a time.

A turn is counted by the clock on the wall, so that it ends at the hour it began whether summer time came or went. Before
the first turn nobody is on call.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import TypeAlias
from zoneinfo import ZoneInfo

from collector.configuration.people.rota_calendar import RotaCalendar
from collector.configuration.people.tables import RotaTable
from collector.configuration.people.turn import OnCall

Rota: TypeAlias = RotaTable | RotaCalendar
"""What says who is on call: turns of equal length, or a calendar."""


def on_call(rota: Rota, at: datetime, home: str) -> OnCall | None:
    """Return who is on call at a moment, from when until when; None before the first turn.

    `home`: the time zone where the rota names none.
    """
    for stretch in stretches(rota, at, at + timedelta(microseconds=1), home):
        return stretch
    return None


def stretches(rota: Rota, start: datetime, end: datetime, home: str) -> Iterator[OnCall]:
    """Yield who is on call from `start` until `end`, in order; the first and the last reach beyond them.

    Turns of the same person in a row are one stretch, as far as they lie within the next turn and the last.
    """
    if isinstance(rota, RotaCalendar):
        yield from rota.stretches(start, end)
        return
    zone = ZoneInfo(rota.time_zone or home)
    turn = timedelta(days=rota.turn_days)
    low, high = (_wall(moment, zone) for moment in (start - turn, end + turn))
    edges = sorted({*_turn_edges(rota, low - turn, high + turn), *_other_edges(rota, low, high)})
    open_stretch: OnCall | None = None
    for begins, ends in pairwise(edges):
        person, stands_in = _by_wall(rota, begins)
        whole = OnCall(rota.id, person, _utc(begins, zone), _utc(ends, zone), stands_in)
        if open_stretch is not None and (open_stretch.person, open_stretch.stands_in) == (person, stands_in):
            open_stretch = OnCall(rota.id, person, open_stretch.begins, whole.ends, stands_in)
            continue
        if open_stretch is not None and open_stretch.ends > start and open_stretch.begins < end:
            yield open_stretch
        open_stretch = whole
    if open_stretch is not None and open_stretch.ends > start and open_stretch.begins < end:
        yield open_stretch


def _turn_edges(rota: RotaTable, low: datetime, high: datetime) -> Iterator[datetime]:
    first = max((low - rota.from_time) // timedelta(days=rota.turn_days), 0)
    edge = rota.from_time + first * timedelta(days=rota.turn_days)
    while edge <= high:
        yield edge
        edge += timedelta(days=rota.turn_days)


def _other_edges(rota: RotaTable, low: datetime, high: datetime) -> Iterator[datetime]:
    for one in rota.stand_in:
        for edge in (one.from_time, one.until_time):
            if max(low, rota.from_time) <= edge <= high:
                yield edge


def _by_wall(rota: RotaTable, wall: datetime) -> tuple[str, bool]:
    """Return who is on call at a moment of the rota's own clock, and whether they stand in."""
    for one in reversed(rota.stand_in):
        if one.from_time <= wall < one.until_time:
            return one.person, True
    turns = (wall - rota.from_time) // timedelta(days=rota.turn_days)
    return rota.people[turns % len(rota.people)], False


def _wall(at: datetime, zone: ZoneInfo) -> datetime:
    return at.astimezone(zone).replace(tzinfo=None)


def _utc(wall: datetime, zone: ZoneInfo) -> datetime:
    return wall.replace(tzinfo=zone).astimezone(UTC)
