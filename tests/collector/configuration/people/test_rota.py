"""Who is on call, and when that changes, by the clock on a wall."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from collector.configuration import ConfigError, load_text
from collector.configuration.people.rota import on_call, stretches
from collector.configuration.people.tables import RotaTable

LONDON = "Europe/London"
FIRST = datetime(2026, 1, 5, 8)  # noqa: DTZ001 - a Monday, by the rota's clock


def rota(*people: str, **settings: Any) -> RotaTable:
    plain = {"id": "standby", "people": people or ("Ada", "Bo", "Cy"), "from": FIRST, **settings}
    return RotaTable.model_validate(plain)


def who(table: RotaTable, *at: datetime) -> list[str]:
    found = [on_call(table, moment.replace(tzinfo=UTC), LONDON) for moment in at]
    return ["-" if one is None else one.person for one in found]


def test_people_take_turns_of_a_week_from_the_first_monday_on() -> None:
    at = [FIRST + timedelta(days=days) for days in (0, 6, 7, 14, 20.9, 21)]
    assert who(rota(), *at) == ["Ada", "Ada", "Bo", "Cy", "Cy", "Ada"]


def test_nobody_is_on_call_before_the_first_turn() -> None:
    assert who(rota(), FIRST - timedelta(minutes=1), FIRST - timedelta(days=400)) == ["-", "-"]


def test_a_turn_ends_at_the_hour_it_began_whether_summer_time_came_or_went() -> None:
    # the clocks of London go forward on 29 March 2026; Monday the 30th, 08:00 there is 07:00 UTC
    assert who(rota(), datetime(2026, 3, 30, 6, 59, tzinfo=UTC), datetime(2026, 3, 30, 7, tzinfo=UTC)) == [
        "Cy",
        "Ada",
    ]
    assert who(rota(), datetime(2026, 10, 26, 7, 59, tzinfo=UTC), datetime(2026, 10, 26, 8, tzinfo=UTC)) == [
        "Cy",
        "Ada",
    ]


def test_who_stands_in_is_on_call_and_the_turn_goes_on_afterwards() -> None:
    table = rota(
        stand_in=[
            {"person": "Cy", "from": FIRST + timedelta(days=2), "until": FIRST + timedelta(days=3)},
            {"person": "Bo", "from": FIRST + timedelta(days=2.5), "until": FIRST + timedelta(days=4)},
        ]
    )
    days = (1.9, 2, 2.4, 2.5, 3.9, 4, 7)
    assert who(table, *(FIRST + timedelta(days=d) for d in days)) == [
        "Ada",
        "Cy",
        "Cy",
        "Bo",
        "Bo",
        "Ada",
        "Bo",
    ]


def test_the_stretches_of_a_month_follow_each_other_without_a_gap() -> None:
    table = rota(
        stand_in=[{"person": "Cy", "from": FIRST + timedelta(days=5), "until": FIRST + timedelta(days=9)}]
    )
    start = FIRST.replace(tzinfo=UTC)
    found = list(stretches(table, start, start + timedelta(days=30), LONDON))
    assert [(s.person, s.stands_in) for s in found] == [
        ("Ada", False), ("Cy", True), ("Bo", False), ("Cy", False), ("Ada", False), ("Bo", False),
    ]  # fmt: skip
    assert [a.ends for a in found[:-1]] == [b.begins for b in found[1:]]


def test_two_turns_of_one_person_are_one_stretch() -> None:
    found = on_call(rota("Ada", "Ada", "Bo"), FIRST.replace(tzinfo=UTC) + timedelta(days=8), LONDON)
    assert found is not None
    assert (found.begins, found.ends) == (
        FIRST.replace(tzinfo=UTC),
        FIRST.replace(tzinfo=UTC) + timedelta(days=14),
    )


BELL = '[[channel]]\nid = "bell"\nkind = "command"\ncommand = ["/bin/true"]\n'
ROTA = '[[rota]]\nid = "standby"\npeople = ["Ada", "Bo"]\nfrom = 2026-01-05T08:00:00\n'


def told(name: str, tell: str = '{ on_call = "standby" }') -> str:
    return f'[[person]]\nname = "{name}"\nreach = [{{ channel = "bell" }}]\ntell = [{tell}]\n'


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        (told("Ada") + told("Bo") + ROTA.replace('"Bo"', '"Bob"'), "the name of a person"),
        (told("Ada", '{ on_call = "standbye" }') + told("Bo") + ROTA, "the id of a rota"),
        (
            told("Ada")
            + told("Bo")
            + ROTA
            + 'stand_in = [{ person = "Bo", from = 2026-12-24T08:00:00, until = 2026-12-24T08:00:00 }]\n',
            "a moment after `from`",
        ),
        (
            told("Ada") + told("Bo") + ROTA.replace("08:00:00", "08:00:00Z"),
            "a moment by the rota's own clock",
        ),
        (told("Ada") + told("Bo") + ROTA + "turn_days = 0\n", "rota.standby.turn_days"),
    ],
)
def test_what_is_wrong_with_a_rota_is_named(text: str, fault: str, small: str, estate: Path) -> None:
    with pytest.raises(ConfigError) as caught:
        load_text(small + BELL + text, estate)
    assert fault in str(caught.value)


def test_who_is_on_call_but_not_told_by_it_is_warned_of(small: str, estate: Path) -> None:
    warnings = load_text(small + BELL + told("Ada") + told("Bo", "{}") + ROTA, estate).warnings
    assert [w.want for w in warnings if w.place == "person.Bo"] == [
        "a line of `tell` with on_call = 'standby': Bo is on call by it"
    ]
