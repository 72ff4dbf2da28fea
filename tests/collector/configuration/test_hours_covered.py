"""Hours in which a critical or major alarm reaches nobody are named."""

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
