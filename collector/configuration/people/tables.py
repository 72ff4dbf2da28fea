"""People in the estate file: who is told what, when, by what way, and who is on call in turn."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Literal

from pydantic import AfterValidator, Field
from pydantic_core import PydanticCustomError

from collector.configuration.plant.values import Id, Number, PlantTable, Text, Whole, Yes, Zone
from collector.configuration.settings_tables import Clock


def _wall(moment: datetime) -> datetime:
    if moment.tzinfo is not None:
        raise PydanticCustomError(
            "want",
            "{want}",
            {"want": "a moment by the rota's own clock, without Z or offset", "got": moment.isoformat()},
        )
    return moment


WallMoment = Annotated[datetime, Field(strict=True), AfterValidator(_wall)]
"""A moment by the clock on a wall: which one stands beside it."""


class ReachTable(PlantTable):
    """One way to reach a person; the first is tried first."""

    channel: Id = Field(description="the channel's id")
    address: Text | None = Field(
        default=None, description="mail address; left out where the channel has one end"
    )


class TellTable(PlantTable):
    """What a person is told, and when."""

    severity: Literal["critical", "major", "minor", "warning"] = Field(
        default="major", description="the least severity that is told"
    )
    about: tuple[Id, ...] = Field(
        default=(), description="ids of sites, systems, units or banks; everything where left out"
    )
    days: tuple[Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"], ...] = Field(
        default=("mon", "tue", "wed", "thu", "fri", "sat", "sun"), description="days of the week"
    )
    from_time: Clock | None = Field(default=None, alias="from", description="start of the hours, as 07:30:00")
    until_time: Clock | None = Field(
        default=None, alias="until", description="end of the hours; before `from` for hours over midnight"
    )
    on_call: Id | None = Field(
        default=None,
        description="told only while this person is on call by the rota, or the calendar of a rota, of this id",
    )
    unanswered_s: Number = Field(
        default=0.0, ge=0, le=86400, description="told only after nobody has acknowledged for so many seconds"
    )
    reminded: Yes = Field(default=True, description="whether an alarm that nobody acknowledges is told again")
    cleared: Yes = Field(default=True, description="whether the end of an alarm is told too")


class StandInTable(PlantTable):
    """Who is on call for a time instead of whose turn it is."""

    person: Text = Field(description="who stands in")
    from_time: WallMoment = Field(
        alias="from", description="when it begins, by the rota's clock, as 2026-12-24T08:00:00"
    )
    until_time: WallMoment = Field(alias="until", description="when it ends")


class RotaTable(PlantTable):
    """Who is on call in turn. Told by it are the people whose `tell` names it."""

    id: Id = Field(description="short name, for `on_call` in `tell`")
    people: tuple[Text, ...] = Field(
        min_length=1, description="the people's names, in turn; a name may come twice"
    )
    from_time: WallMoment = Field(
        alias="from", description="when the first of them begins, by the rota's clock, as 2026-01-05T08:00:00"
    )
    turn_days: Whole = Field(
        default=7, ge=1, le=366, description="days of a turn; it ends at the hour it began"
    )
    time_zone: Zone | None = Field(default=None, description="of its clock; the first site's where left out")
    stand_in: tuple[StandInTable, ...] = Field(
        default=(), description="who is on call for a time instead; of two at once the later entry"
    )


class RotaCalendarTable(PlantTable):
    """A calendar (iCalendar) that says who is on call: each event is the turn of the person whose name its summary holds.

    Of two events at once the one that began last counts. Where nobody has a turn, all who are told by it are told.
    """

    id: Id = Field(description="short name, for `on_call` in `tell`; no rota has the same")
    file: Text = Field(description="the file, beside the estate file or with its full path")
    time_zone: Zone | None = Field(
        default=None, description="of events that name none; the first site's where left out"
    )


class PersonTable(PlantTable):
    """Somebody who is told."""

    name: Text = Field(description="the person's name, or the desk's")
    telephone: Text | None = Field(
        default=None,
        description="number to call in an outage that ends soon; shown in messages and on the page",
    )
    time_zone: Zone | None = Field(
        default=None, description="for the hours in `tell`; the first site's where left out"
    )
    reach: tuple[ReachTable, ...] = Field(min_length=1, description="ways to reach them, first tried first")
    tell: tuple[TellTable, ...] = Field(default=(TellTable(),), min_length=1, description="what, and when")
