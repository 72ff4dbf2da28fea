"""Whom to call when a system ends soon or its generator does not come: the people of the estate file with a telephone."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Final

from collector.configuration.people.people import People
from collector.configuration.people.tables import TellTable
from rules.alarms.incidents.incident import Notice, NoticeKind
from rules.plant.topology import Topology

CALLED_FOR: Final = frozenset({"ends_soon", "no_supply_in_time", "starts_failed"})
"""Alarms that want somebody at the generator or at the breakers within minutes: too soon to wait for who reads a message."""


def calls(alarms: Iterable[str]) -> bool:
    """Return whether any of these alarms, by id, wants somebody to be called."""
    return any(alarm.partition(":")[0] in CALLED_FOR for alarm in alarms)


def to_call(things: Sequence[str], at: datetime, people: People, topology: Topology) -> tuple[str, ...]:
    """Return whom to call about these things, as "NAME, NUMBER", in the order of the estate file.

    Those who are told of anything there and whose hours it is; where it is nobody's hour, all of them.
    """
    able = [
        (p, [t for t in p.tell if _near(t, things, topology)])
        for p in people.persons
        if p.telephone is not None
    ]
    able = [(person, tells) for person, tells in able if tells]
    now = [(person, tells) for person, tells in able if any(people.told_at(person, t, at) for t in tells)]
    return tuple(f"{person.name}, {person.telephone}" for person, _ in now or able)


def called_for(notice: Notice, people: People, topology: Topology) -> tuple[str, ...]:
    """Return whom to call about a notice; nobody where it is over or wants nobody called."""
    if notice.kind is NoticeKind.CLOSED or not calls(notice.alarms):
        return ()
    things = (notice.about, *(part.system for part in notice.parts if part.until is None or part.dark))
    return to_call(things, notice.at, people, topology)


def _near(tell: TellTable, things: Sequence[str], topology: Topology) -> bool:
    return not tell.about or any(
        topology.covers(scope, thing) or topology.covers(thing, scope)
        for scope in tell.about
        for thing in things
    )
