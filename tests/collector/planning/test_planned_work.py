"""Planned work, once and again, from the estate file and from a calendar."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from collector.configuration.people.rota_calendar import CalendarError
from collector.configuration.settings_tables import CalendarTable, PlannedWorkTable
from collector.planning.planned_work import calendar_windows, windows
from rules.alarms.catalogue import Explanation
from rules.values.reason import told

LONDON = "Europe/London"
TABLE = CalendarTable(id="site", file="work.ics", about="works", explains="isolation")


def work(**settings: Any) -> PlannedWorkTable:
    base = {
        "id": "test",
        "what": "monthly set test",
        "about": "north",
        "explains": "mains_off",
        "begins": datetime(2026, 10, 20, 9, 0),  # noqa: DTZ001 - by the site's own clock
        "lasts_s": 3600.0,
    }
    return PlannedWorkTable.model_validate(base | settings)


def test_work_done_once_is_one_window_by_the_sites_clock() -> None:
    found = windows([work()], datetime(2026, 10, 19, tzinfo=UTC), time_zone=LONDON)
    assert len(found) == 1
    assert found[0].start.astimezone(UTC) == datetime(2026, 10, 20, 8, 0, tzinfo=UTC), "British summer time"
    assert found[0].end - found[0].start == timedelta(hours=1)
    assert found[0].explains is Explanation.MAINS_OFF


def test_work_that_is_over_or_far_off_is_no_window() -> None:
    assert windows([work()], datetime(2026, 10, 20, 9, 1, tzinfo=UTC), time_zone=LONDON) == ()
    assert windows([work()], datetime(2026, 9, 1, tzinfo=UTC), time_zone=LONDON) == ()


def test_weekly_work_keeps_its_hour_when_the_clocks_change() -> None:
    # clocks go back on 25 October 2026
    found = windows(
        [work(every_days=7)],
        datetime(2026, 10, 20, 7, tzinfo=UTC),
        time_zone=LONDON,
        ahead=timedelta(days=15),
    )
    assert [w.start.astimezone(UTC) for w in found] == [
        datetime(2026, 10, 20, 8, 0, tzinfo=UTC),
        datetime(2026, 10, 27, 9, 0, tzinfo=UTC),
        datetime(2026, 11, 3, 9, 0, tzinfo=UTC),
    ]
    assert len({w.id for w in found}) == 3


def test_recurring_work_under_way_is_found_years_later_and_ends_on_its_last_day() -> None:
    one = work(every_days=7)
    at = datetime(2030, 10, 15, 8, 30, tzinfo=UTC)  # 1456 days, so 208 weeks, after 20 October 2026
    found = windows([one], at, time_zone=LONDON, ahead=timedelta(days=1))
    assert [w.start.astimezone(UTC) for w in found] == [datetime(2030, 10, 15, 8, 0, tzinfo=UTC)]
    ended = work(every_days=7, until=date(2026, 10, 30))
    found = windows([ended], datetime(2026, 10, 20, tzinfo=UTC), time_zone=LONDON)
    assert [w.id for w in found] == ["test-2026-10-20", "test-2026-10-27"]


def calendar(folder: Path, *events: str) -> None:
    body = "".join(f"BEGIN:VEVENT\r\n{event}END:VEVENT\r\n" for event in events)
    text = f"BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//test//EN\r\n{body}END:VCALENDAR\r\n"
    (folder / "work.ics").write_bytes(text.encode())


def test_each_event_of_a_calendar_is_a_window_and_a_rule_is_expanded(tmp_path: Path) -> None:
    calendar(
        tmp_path,
        "UID:a@x\r\nDTSTAMP:20261001T000000Z\r\nDTSTART:20261020T080000Z\r\nDTEND:20261020T100000Z\r\n"
        "RRULE:FREQ=WEEKLY;COUNT=2\r\nSUMMARY:Service of unit W1\r\n",
        "UID:b@x\r\nDTSTAMP:20261001T000000Z\r\nDTSTART:20261021T080000Z\r\nDTEND:20261021T090000Z\r\n"
        "STATUS:CANCELLED\r\nSUMMARY:Called off\r\n",
    )
    at = datetime(2026, 10, 19, tzinfo=UTC)
    found = calendar_windows(TABLE, tmp_path, at, time_zone=LONDON)
    assert [w.start.astimezone(UTC) for w in found] == [
        datetime(2026, 10, 20, 8, tzinfo=UTC),
        datetime(2026, 10, 27, 8, tzinfo=UTC),
    ]
    assert {w.what for w in found} == {told("Service of unit W1")}
    assert [w.id for w in calendar_windows(TABLE, tmp_path, at, time_zone=LONDON)] == [w.id for w in found]


def test_a_forgotten_month_long_event_is_cut_to_a_week(tmp_path: Path) -> None:
    calendar(
        tmp_path,
        "UID:c@x\r\nDTSTAMP:20261001T000000Z\r\nDTSTART:20261020T080000Z\r\nDTEND:20261120T080000Z\r\n",
    )
    found = calendar_windows(TABLE, tmp_path, datetime(2026, 10, 19, tzinfo=UTC), time_zone=LONDON)
    assert [w.end - w.start for w in found] == [timedelta(days=7)]


def test_a_calendar_that_cannot_be_read_says_so(tmp_path: Path) -> None:
    at = datetime(2026, 10, 19, tzinfo=UTC)
    with pytest.raises(CalendarError, match=r"work\.ics: want a calendar file that can be read"):
        calendar_windows(TABLE, tmp_path, at, time_zone=LONDON)
    (tmp_path / "work.ics").write_text("no calendar at all")
    with pytest.raises(CalendarError, match="RFC 5545"):
        calendar_windows(TABLE, tmp_path, at, time_zone=LONDON)
    (tmp_path / "work.ics").write_text("BEGIN:VCALENDAR\r\nno calendar line \x1b[2J" + "x" * 500)
    with pytest.raises(CalendarError) as said:
        calendar_windows(TABLE, tmp_path, at, time_zone=LONDON)
    text = str(said.value)
    assert "no calendar line" in text, "the place is quoted"
    assert text.isprintable()
    assert len(text) < 220
