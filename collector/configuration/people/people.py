"""Everybody who is told, as one value: whose hour it is, and who is on call."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

from collector.configuration.people.hours import within_hours
from collector.configuration.people.rota import Rota, on_call
from collector.configuration.people.rota_calendar import RotaCalendar
from collector.configuration.people.tables import PersonTable, TellTable
from collector.configuration.people.turn import OnCall


@dataclass(frozen=True, slots=True)
class People:
    """The people of the estate file, in its order, and its rotas by id. `time_zone`: of whoever names none."""

    persons: tuple[PersonTable, ...]
    time_zone: str
    rotas: Mapping[str, Rota] = field(default_factory=dict)

    def zone_of(self, person: PersonTable) -> str:
        """Return the time zone of a person's hours."""
        return person.time_zone or self.time_zone

    def told_at(self, person: PersonTable, tell: TellTable, at: datetime) -> bool:
        """Return whether a person is told by `tell` at a moment: in its hours and, where it names a rota, on call.

        Where a calendar has a hole, everybody is told who may be on call by it.
        """
        if not within_hours(tell, at, self.zone_of(person)):
            return False
        if tell.on_call is None:
            return True
        rota = self.rotas.get(tell.on_call)
        now = None if rota is None else on_call(rota, at, self.time_zone)
        if now is None and isinstance(rota, RotaCalendar):
            return True
        return now is not None and now.person == person.name

    @property
    def calendars(self) -> tuple[RotaCalendar, ...]:
        """Return the calendars among the rotas."""
        return tuple(rota for rota in self.rotas.values() if isinstance(rota, RotaCalendar))

    def on_call(self, at: datetime) -> tuple[OnCall, ...]:
        """Return who is on call at a moment, by rota in the order of the file."""
        found = (on_call(rota, at, self.time_zone) for rota in self.rotas.values())
        return tuple(one for one in found if one is not None)
