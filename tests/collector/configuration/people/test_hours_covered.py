"""Hours in which a critical or major alarm reaches nobody are named."""

from datetime import date
from pathlib import Path

import pytest

from collector.configuration import load_text

CHANNEL = '[[channel]]\nid = "bell"\nkind = "command"\ncommand = ["/bin/true"]\n'
BROKER = '[[channel]]\nid = "broker"\nkind = "mqtt"\nhost = "b.example"\n'
ADA = '[[person]]\nname = "Ada"\nreach = [{ channel = "bell" }]\n'
DAY = "from = 08:00:00, until = 18:00:00"
WEEK = 'days = ["mon", "tue", "wed", "thu", "fri"]'


def gaps(text: str, estate: Path) -> list[str]:
    return [f"{w.want}; {w.got}" for w in load_text(text, estate).warnings if w.place == "person"]


def said(severity: str, hours: str) -> str:
    return f"somebody who is told of a {severity} alarm of system A at any hour; nobody {hours}"


@pytest.mark.parametrize(
    ("tell", "hours"),
    [
        ("{}", ""),
        (f"{{ {DAY} }}", "from 18:00 to 08:00"),
        (
            f"{{ {WEEK}, {DAY} }}",
            "from 18:00 to 08:00 on mon, tue, wed, thu; from 18:00 to 08:00, from fri to mon",
        ),
        (f"{{ {DAY} }}, {{ from = 18:00:00, until = 08:00:00, unanswered_s = 300 }}", ""),
        (f"{{ {DAY} }}, {{ from = 17:00:00, until = 06:30:00 }}", "from 06:30 to 08:00"),
        ('{ about = ["b1"] }', "at any hour"),
        ('{ about = ["s"] }', ""),
        (f"{{ {WEEK} }}", "from 00:00 to 00:00, from sat to mon"),
    ],
)
def test_the_gap_is_named(tell: str, hours: str, small: str, estate: Path) -> None:
    found = gaps(f"{small}{CHANNEL}{ADA}tell = [{tell}]\n", estate)
    assert found == ([said("critical", hours), said("major", hours)] if hours else [])


def test_one_severity_may_have_a_gap_where_another_has_none(small: str, estate: Path) -> None:
    tell = f'{{ severity = "critical" }}, {{ severity = "major", {DAY} }}'
    assert gaps(f"{small}{CHANNEL}{ADA}tell = [{tell}]\n", estate) == [said("major", "from 18:00 to 08:00")]


def test_the_hours_are_those_of_each_persons_own_clock(small: str, estate: Path) -> None:
    # Tokyo is eight hours before Paris in winter
    ada = ADA + f'time_zone = "Asia/Tokyo"\ntell = [{{ {DAY} }}]\n'
    night = ADA.replace("Ada", "Desk") + "tell = [{ from = 10:00:00, until = 00:00:00 }]\n"
    assert gaps(small + CHANNEL + ada + night, estate) == []


def test_a_way_to_people_that_leads_to_nobody_is_told(small: str, estate: Path) -> None:
    assert gaps(small + BROKER, estate) == []
    assert gaps(small + CHANNEL, estate) == [
        "one [[person]] or more who is reached by 'bell'; none: alarms stand on the page alone"
    ]


ROTA = '[[rota]]\nid = "standby"\npeople = ["Ada", "Bo"]\nfrom = 2026-01-05T08:00:00\n'
TURN = '{ on_call = "standby" }'


def in_turn(small: str, ada: str = TURN, bo: str = TURN, rota: str = ROTA) -> str:
    return f"{small}{CHANNEL}{ADA}tell = [{ada}]\n{ADA.replace('Ada', 'Bo')}tell = [{bo}]\n{rota}"


def of_major(text: str, estate: Path) -> str:
    found = [w.got for w in load_text(text, estate, TODAY).warnings if w.place == "person"]
    assert len(found) in {0, 2}, "of critical and major alarms alike"
    return found[0] if found else ""


TODAY = date(2026, 12, 1)


def test_a_rota_whose_people_are_told_at_any_hour_leaves_no_gap(small: str, estate: Path) -> None:
    assert of_major(in_turn(small), estate) == ""


def test_hours_in_which_the_one_on_call_is_not_told_are_named_by_date_for_a_year(
    small: str, estate: Path
) -> None:
    bo = f'{{ on_call = "standby", {DAY} }}'
    # Bo has the 27 weeks of 53 that begin on 30 November, 14 December ...; a night each day of them
    found = of_major(in_turn(small, bo=bo), estate)
    assert found.startswith(
        "nobody from tue 1 Dec 2026 00:00 to tue 1 Dec 2026 08:00; from tue 1 Dec 2026 18:00"
    )
    assert found.endswith(f"; and {27 * 7 - 3} more times")


def test_a_rota_that_has_not_begun_reaches_nobody_until_it_does(small: str, estate: Path) -> None:
    later = ROTA.replace("2026-01-05", "2026-12-07")
    assert (
        of_major(in_turn(small, rota=later), estate)
        == "nobody from tue 1 Dec 2026 00:00 to mon 7 Dec 2026 08:00"
    )


def test_who_is_told_besides_at_those_hours_closes_the_gap(small: str, estate: Path) -> None:
    bo = f'{{ on_call = "standby", {DAY} }}, {{ from = 18:00:00, until = 08:00:00 }}'
    assert of_major(in_turn(small, bo=bo), estate) == ""


@pytest.mark.parametrize(
    ("tell", "untold"),
    [("{}", ["minor", "warning"]), ('{ severity = "minor" }', ["warning"]), ('{ severity = "warning" }', []),
     (f'{{}}, {{ severity = "warning", {DAY} }}', []), ('{ severity = "warning", about = ["b1"] }', ["minor", "warning"])],
)  # fmt: skip
def test_lesser_alarms_that_nobody_ever_hears_of_are_named(
    tell: str, untold: list[str], small: str, estate: Path
) -> None:
    found = load_text(f"{small}{CHANNEL}{ADA}tell = [{tell}]\n", estate).warnings
    assert [w.want for w in found if w.place == "person.tell"] == [
        f"somebody who is told of a {one} alarm of system A, at whatever hour" for one in untold
    ]
