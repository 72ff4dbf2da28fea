"""Who is on call by a calendar that the site keeps: its events, holidays laid over them, holes, and a year that is covered."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from collector.configuration import load_text
from collector.configuration.people.people import People
from collector.configuration.people.rota_calendar import RotaCalendar
from collector.configuration.people.tables import RotaCalendarTable
from collector.messaging.delivery.handover import beginnings
from tests.collector.messaging.cases import person

HERE = "Europe/London"
MONDAY = datetime(2026, 1, 5, 8, tzinfo=UTC)
WEEKS = (
    "UID:ada\r\nSUMMARY:Duty: ADA Fenn\r\nDTSTART;TZID=Europe/London:20260105T080000\r\n"
    "DTEND;TZID=Europe/London:20260112T080000\r\nRRULE:FREQ=WEEKLY;INTERVAL=2\r\n",
    "UID:bo\r\nSUMMARY:Bo\r\nDTSTART;TZID=Europe/London:20260112T080000\r\n"
    "DTEND;TZID=Europe/London:20260119T080000\r\nRRULE:FREQ=WEEKLY;INTERVAL=2\r\n",
)
HOLIDAY = (
    "UID:easter\r\nSUMMARY:bo for Easter\r\nDTSTART;VALUE=DATE:20260403\r\nDTEND;VALUE=DATE:20260407\r\n"
)


def written(folder: Path, *events: str) -> Path:
    body = "".join(f"BEGIN:VEVENT\r\n{event}END:VEVENT\r\n" for event in events)
    path = folder / "duty.ics"
    path.write_bytes(
        f"BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//t//t//\r\n{body}END:VCALENDAR\r\n".encode()
    )
    return path


def calendar(folder: Path, now: datetime = MONDAY) -> RotaCalendar:
    table = RotaCalendarTable(id="duty", file="duty.ics")
    found = RotaCalendar(table, folder, ("Ada Fenn", "Bo"), HERE)
    assert found.refresh(now) is None
    return found


def people(one: RotaCalendar) -> People:
    tell = [{"severity": "major", "on_call": "duty"}]
    return People((person("Ada Fenn", tell=tell), person("Bo", tell=tell)), HERE, {"duty": one})


def on_call(everybody: People, at: datetime) -> list[str]:
    return [p.name for p in everybody.persons if everybody.told_at(p, p.tell[0], at)]


def test_whom_an_event_names_is_on_call_and_a_holiday_laid_over_it_is_who_stands_in(tmp_path: Path) -> None:
    written(tmp_path, *WEEKS, HOLIDAY)
    one = calendar(tmp_path)
    everybody = people(one)
    at = [MONDAY - timedelta(minutes=1), MONDAY, MONDAY + timedelta(days=7), MONDAY + timedelta(days=14)]
    assert [on_call(everybody, moment) for moment in at[1:]] == [["Ada Fenn"], ["Bo"], ["Ada Fenn"]]
    (now,) = everybody.on_call(datetime(2026, 4, 3, 12, tzinfo=UTC))  # Good Friday, of a week of Ada's
    assert (now.person, now.stands_in) == ("Bo", True)
    assert (now.begins, now.ends) == (
        datetime(2026, 4, 2, 23, tzinfo=UTC),
        datetime(2026, 4, 6, 7, tzinfo=UTC),
    ), "from midnight there until Monday, when Bo's own turn begins"
    (after,) = everybody.on_call(now.ends)
    assert (after.person, after.stands_in) == ("Bo", False)


def test_a_turn_that_begins_is_told_to_both(tmp_path: Path) -> None:
    written(tmp_path, *WEEKS)
    week = MONDAY + timedelta(days=7)
    (begun,) = beginnings(people(calendar(tmp_path)), week - timedelta(hours=1), week + timedelta(hours=1))
    assert (begun.person.name, begun.at, begun.before) == ("Bo", week, "Ada Fenn")
    assert begun.turn is not None
    assert begun.turn.ends == week + timedelta(days=7)


def test_in_a_hole_everybody_is_told_who_may_be_on_call(tmp_path: Path) -> None:
    written(tmp_path, WEEKS[0])
    everybody = people(calendar(tmp_path))
    assert on_call(everybody, MONDAY) == ["Ada Fenn"]
    assert on_call(everybody, MONDAY + timedelta(days=8)) == ["Ada Fenn", "Bo"]
    assert everybody.on_call(MONDAY + timedelta(days=8)) == ()


def test_a_file_that_becomes_unreadable_leaves_the_turns_as_they_were_and_says_so(tmp_path: Path) -> None:
    path = written(tmp_path, *WEEKS)
    one = calendar(tmp_path)
    path.write_text("no calendar")
    wrong = one.refresh(MONDAY)
    assert wrong is not None
    assert wrong.startswith("duty.ics: want a calendar (RFC 5545)")
    assert on_call(people(one), MONDAY) == ["Ada Fenn"]
    written(tmp_path, WEEKS[0].replace("ADA Fenn", "Bo"))
    assert one.refresh(MONDAY) is None
    assert on_call(people(one), MONDAY) == ["Bo"]


ESTATE = """
[[channel]]
id = "bell"
kind = "command"
command = ["/bin/true"]
[[rota_calendar]]
id = "duty"
file = "duty.ics"
[[person]]
name = "Ada Fenn"
reach = [{ channel = "bell" }]
tell = [{ on_call = "duty" }]
[[person]]
name = "Bo"
reach = [{ channel = "bell" }]
tell = [{ on_call = "duty" }]
"""


@pytest.mark.parametrize(
    ("events", "warned"),
    [
        (WEEKS, []),
        (
            (WEEKS[0].replace("INTERVAL=2", "COUNT=1"), WEEKS[1]),
            ["nobody's from mon 19 Jan 2026 09:00 to mon 26 Jan 2026 09:00; "],
        ),
        ((*WEEKS, HOLIDAY.replace("bo for", "Cy for")), ["'Cy for Easter' at fri 3 Apr 2026 00:00"]),
        ((), ["nobody's from tue 6 Jan 2026 00:00 to wed 6 Jan 2027 00:00: all are told"]),
    ],
)
def test_a_check_proves_a_year_or_names_the_hole(
    events: tuple[str, ...], warned: list[str], small: str, estate: Path
) -> None:
    written(estate.parent, *events)
    found = load_text(small + ESTATE, estate, date(2026, 1, 6)).warnings
    said = [w.got for w in found if w.place.startswith("rota_calendar.duty")]
    assert [text.startswith(start) for text, start in zip(said, warned, strict=True)] == [True] * len(
        warned
    ), said
    assert [w for w in found if w.place == "person"] == [], "in a hole all are told"


def test_an_id_that_a_rota_has_too_is_a_fault_and_one_that_nobody_names_a_warning(
    small: str, estate: Path
) -> None:
    written(estate.parent, *WEEKS)
    spare = ESTATE.replace('id = "duty"', 'id = "spare"')
    rota = '[[rota]]\nid = "duty"\npeople = ["Bo"]\nfrom = 2026-01-05T08:00:00\n'
    found = load_text(small + spare + rota, estate, date(2026, 1, 6)).warnings
    assert [w.want for w in found if w.place == "rota_calendar.spare.id"] == [
        "people whose `tell` has on_call = 'spare'"
    ]
