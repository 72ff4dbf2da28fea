"""Who is told what, when."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta
from typing import Any

import pytest

from collector.configuration.people.hours import within_hours
from collector.configuration.people.tables import PersonTable, TellTable
from collector.messaging.delivery.letter import Letter
from collector.messaging.delivery.recipients import letters
from collector.storage.ledger.records import Outgoing
from rules.alarms.incidents.incident import Notice, NoticeKind
from rules.plant.topology import Topology
from rules.values.severity import Severity
from tests.collector.messaging.cases import AT, everybody, notice, person
from tests.rules.sample_plant import estate

LONDON = "Europe/London"


def told(one: Notice, *people: PersonTable) -> list[Outgoing]:
    return list(letters(one, everybody(*people), Topology(estate()), collector="fellbeck"))


def tell(**settings: Any) -> TellTable:
    return TellTable.model_validate(settings)


def test_who_wants_no_reminders_gets_everything_else() -> None:
    both = (person("Chief", tell=[{"reminded": False}]), person("Desk"))
    for kind in NoticeKind:
        names = ["Desk"] if kind is NoticeKind.ESCALATED else ["Chief", "Desk"]
        assert [m.body["person"] for m in told(notice(kind=kind), *both)] == names


def test_a_person_is_told_what_is_grave_enough_for_them() -> None:
    chief = person("Chief", tell=[{"severity": "critical"}])
    desk = person("Desk", tell=[{"severity": "minor"}])
    assert [m.body["person"] for m in told(notice(severity=Severity.MAJOR), chief, desk)] == ["Desk"]
    assert [m.body["person"] for m in told(notice(severity=Severity.CRITICAL), chief, desk)] == [
        "Chief",
        "Desk",
    ]


@pytest.mark.parametrize(
    ("about", "expected"),
    [("works", True), ("W1", True), ("north", True), ("fellbeck", True), ("depot", False)],
)
def test_a_person_is_told_of_their_place_what_stands_below_and_what_hits_it_from_above(
    about: str, expected: bool
) -> None:
    works = person(tell=[{"about": ["works"]}])
    assert bool(told(notice(about=about), works)) is expected


def test_what_concerns_the_service_itself_goes_to_everybody_of_its_severity() -> None:
    works = person(tell=[{"about": ["works"]}])
    assert told(notice(about="post", site=None), works)


def test_hours_are_those_of_the_clock_on_the_persons_wall() -> None:
    # 9 October 2026 is a Friday; 00:14 UTC is 01:14 in London, still summer time
    assert within_hours(tell(), AT, LONDON)
    assert not within_hours(tell(days=["sat"]), AT, LONDON)
    assert within_hours(tell(**{"from": time(1), "until": time(2)}), AT, LONDON)
    assert not within_hours(tell(**{"from": time(1), "until": time(2)}), AT, "UTC")


def test_hours_over_midnight_belong_to_the_day_they_began_on() -> None:
    night = tell(**{"from": time(22), "until": time(6), "days": ["thu"]})
    assert within_hours(night, AT, LONDON), "01:14 on Friday is Thursday's night"
    assert not within_hours(night, AT + timedelta(hours=22), LONDON), "23:14 on Friday is not"
    assert within_hours(night, AT - timedelta(hours=2), LONDON), "23:14 on Thursday"


def test_somebody_who_is_told_only_when_nobody_answers_gets_it_later() -> None:
    second = person("Second", tell=[{"unanswered_s": 300.0}])
    message = told(notice(), second)[0]
    assert message.due == AT + timedelta(seconds=300)
    assert Letter.of(message.body).unanswered_only
    later = notice(number=2, kind=NoticeKind.CHANGED, at=AT + timedelta(seconds=600))
    assert told(later, second)[0].due == AT + timedelta(seconds=600)


def test_the_end_is_told_to_whoever_was_told_the_beginning_whatever_the_hour() -> None:
    day = person(tell=[{"from": time(8), "until": time(17), "severity": "critical"}])
    quiet = person("Quiet", tell=[{"cleared": False}])
    messages = told(notice(number=3, kind=NoticeKind.CLOSED), day, quiet)
    assert [m.body["person"] for m in messages] == ["R. Haugen"]
    assert Letter.of(messages[0].body).told_only


def test_the_same_notice_makes_the_same_messages() -> None:
    people = (person(), person("Zoë Ångström"))
    assert told(notice(), *people) == told(notice(), *people)
    assert all(message.id.isascii() for message in told(notice(), *people))


def test_a_letter_survives_the_outbox() -> None:
    body = told(notice(), person())[0].body
    letter = Letter.of(body)
    assert letter.body() == body
    assert letter.notice == notice()


def test_times_are_shown_by_the_persons_clock_with_the_day_when_it_is_another() -> None:
    letter = Letter.of(told(notice(), person())[0].body)
    assert letter.local(AT) == "01:14:12"
    assert letter.local(datetime(2026, 12, 24, 12, 0, tzinfo=UTC)) == "24 Dec 2026, 12:00:00"
