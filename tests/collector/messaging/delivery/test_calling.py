"""Whom to call when the generator does not come: who has a telephone, is told of that place, and whose hour it is."""

from __future__ import annotations

from dataclasses import replace

from collector.configuration.people.tables import PersonTable
from collector.messaging.delivery.calling import called_for, to_call
from collector.messaging.delivery.letter import Letter, notice_data
from collector.messaging.delivery.recipients import letters
from rules.alarms.incidents.incident import NoticeKind
from rules.plant.topology import Topology
from tests.collector.messaging.cases import AT, everybody, notice, person
from tests.rules.sample_plant import estate

PLACES = Topology(estate())
URGENT = replace(notice(), alarms=("no_supply_in_time:works", "on_battery:W1"))


def called(*people: PersonTable, about: str = "works") -> tuple[str, ...]:
    return to_call((about,), AT, everybody(*people), PLACES)


def test_people_with_a_telephone_who_are_told_of_the_place_are_called_in_the_files_order() -> None:
    desk = person("Desk", telephone="01632 960 001")
    keeper = person("Keeper", telephone="01632 960 002", tell=[{"about": ["works"]}])
    other = person("Other", telephone="01632 960 003", tell=[{"about": ["depot"]}])
    assert called(desk, keeper, other, person("No telephone")) == (
        "Desk, 01632 960 001",
        "Keeper, 01632 960 002",
    )


def test_whose_hour_it_is_comes_alone_and_where_it_is_nobodys_all_are_named() -> None:
    day = person("Day", telephone="1", tell=[{"days": ["sat"]}])
    night = person("Night", telephone="2", tell=[{"days": ["fri"]}])
    assert called(day, night) == ("Night, 2",)
    assert called(day) == ("Day, 1",)


def test_only_what_wants_somebody_within_minutes_names_whom_to_call() -> None:
    desk = person("Desk", telephone="1")
    assert called_for(URGENT, everybody(desk), PLACES) == ("Desk, 1",)
    assert called_for(notice(), everybody(desk), PLACES) == ()
    assert called_for(replace(URGENT, kind=NoticeKind.CLOSED), everybody(desk), PLACES) == ()


def test_the_message_names_them() -> None:
    desk = person("Desk", telephone="1")
    (message,) = letters(URGENT, everybody(desk), PLACES, collector="fellbeck")
    assert notice_data(Letter.of(message.body), "m")["call"] == ["Desk, 1"]
