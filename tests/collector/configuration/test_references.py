"""Names that lead nowhere, and tables that contradict each other, are faults."""

from collections.abc import Callable
from pathlib import Path

import pytest

from collector.configuration import load_text

Faults = Callable[[str], list[str]]

OTHER = """
[[system]]
id = "B"
site = "s"
supply = "m"
spare_units = 0
[[unit]]
id = "B1"
system = "B"
[[unit.fitted]]
from = 2020-01-01
model = "X"
rating_va = 30000
rating_w = 27000
[[card]]
id = "c2"
target = "snmp://192.0.2.2"
secret = "cards"
covers = ["B1"]
[[bank]]
id = "b2"
feeds = ["B1"]
cells_in_series = 240
[[bank.fitted]]
from = 2020-01-01
type = "T"
blocks = 40
"""
GROUPS = """
[[load_group]]
id = "x"
system = "A"
watts = [1, 2, 3]
importance = 1
restart_after = ["y"]
[[load_group]]
id = "y"
system = "A"
watts = [1]
importance = 2
restart_after = ["z"]
"""
PERSON = """
[[channel]]
id = "post"
kind = "mail"
host = "h"
sender = "a@b.example"
secret = "post"
[[person]]
name = "Ada"
reach = [{ channel = "post", address = "ada@b.example" }]
tell = [{ about = ["A", "A1", "b1", "s"] }]
"""


def test_two_systems_side_by_side_are_sound(small: str, estate: Path) -> None:
    assert set(load_text(small + OTHER + PERSON, estate).estate.systems) == {"A", "B"}


@pytest.mark.parametrize(
    ("right", "wrong", "fault"),
    [
        ('supply = "m"', 'supply = "n"', "system.A.supply: want the id of a supply"),
        ('site = "s"\nsupply', 'site = "t"\nsupply', "system.A.site: want the id of a site"),
        ('system = "A"', 'system = "Q"', "unit.A1.system: want the id of a system"),
        ("spare_units = 0", "spare_units = 1", "system.A.spare_units: want fewer spare units than units (1)"),
        (
            "spare_units = 0",
            'spare_units = 0\npartner = "A"',
            "system.A.partner: want another system; got itself",
        ),
        (
            ", required_s = 300",
            "",
            "system.A.requirements#1.required_s: want the seconds that orderly_shutdown",
        ),
        (
            'for = "orderly_shutdown", required_s = 300',
            'for = "generator_start"',
            "required_s: want seconds, since supply 'm' has no generator",
        ),
        ('covers = ["A1"]', 'covers = ["A1", "A1"]', "card.c1.covers: want each unit once"),
        (
            'covers = ["A1"]',
            'covers = ["A1", "B1"]\nreports = "sum"',
            "card.c1.covers: want units of one system",
        ),
        (
            'covers = ["A1"]',
            'covers = ["A1"]\nreports = "sum"',
            "card.c1.reports: want 'unit', since it covers one",
        ),
        ('feeds = ["A1"]', 'feeds = ["A1", "B1"]', "bank.b1.feeds: want units of one system"),
        ('feeds = ["A1"]', "feeds = []", "bank.b1.feeds: want 1 or more of them"),
        ('snmp://192.0.2.1"', 'snmp://192.0.2.2"', "card.c2.target: want an address of its own"),
        ('id = "B1"', 'id = "A1"', "unit.A1: want a name of its own for each unit; got 'A1' twice"),
        ('id = "A1"', 'id = "A/1"', "unit.A/1.id: want 1 to 40 letters"),
        ('["A", "A1", "b1", "s"]', '["A3"]', "person.Ada.tell#1.about: want ids of sites"),
        ('"ada@b.example"', '"555"', "person.Ada.reach#1.address: want a mail address; got '555'"),
        ('channel = "post"', 'channel = "pst"', "person.Ada.reach#1.channel: want the id of a channel"),
        (
            'kind = "mail"',
            'kind = "pigeon"',
            "channel.post.kind: want one of 'mqtt', 'mail', 'webhook', 'command', 'syslog', 'snmp'; got 'pigeon'",
        ),
    ],
)
def test_a_contradiction_is_a_fault(right: str, wrong: str, fault: str, small: str, faults: Faults) -> None:
    text = small + OTHER + PERSON
    assert right in text
    assert fault in "\n".join(faults(text.replace(right, wrong, 1)))


def test_load_groups_that_wait_for_each_other_never_start(small: str, faults: Faults) -> None:
    found = faults(small + GROUPS.replace('"z"', '"x"'))
    assert [f.split(": ")[1] for f in found] == ["load_group.x.restart_after", "load_group.y.restart_after"]


def test_a_load_group_waits_for_groups_that_are_there(small: str, faults: Faults) -> None:
    (found,) = faults(small + GROUPS)
    assert "load_group.y.restart_after: want the id of a load group" in found


def test_the_watch_is_fed_by_a_system_or_the_mains(small: str, faults: Faults) -> None:
    (found,) = faults(small + '[watch]\nbox_fed_by = "main"\n')
    assert found.startswith('estate.toml: watch.box_fed_by: want the id of a system, or "mains"')
    assert "nearest known: 'mains'" in found


def test_a_unit_nobody_speaks_for_and_a_unit_without_bank_are_warnings(small: str, estate: Path) -> None:
    lone = OTHER[: OTHER.index("[[card]]")]
    warnings = [str(w) for w in load_text(small + lone, estate).warnings if w.place == "unit.B1"]
    assert [w.rpartition("got ")[2] for w in warnings] == [
        "none: it cannot be seen",
        "none: its hold-up cannot be told",
    ]


def test_a_fault_in_one_unit_makes_no_false_complaint_about_those_that_name_it(
    small: str, faults: Faults
) -> None:
    (found,) = faults(small.replace("rating_va = 30000", 'rating_va = "30 kVA"'))
    assert found == "estate.toml: unit.A1.fitted#1.rating_va: want a number; got '30 kVA'"


TOLD = """
[delivery]
heartbeat_by = ["post"]
[[channel]]
id = "post"
kind = "webhook"
url = "https://desk.b.example/in"
[[alarm]]
id = "bank_hot"
limit = 40
[[planned_work]]
id = "round"
about = "A"
explains = "bank_test"
begins = 2026-10-20T09:00:00
lasts_s = 3600
every_days = 28
until = 2030-01-01
[[calendar]]
id = "site"
file = "work.ics"
about = "A1"
explains = "isolation"
"""


def test_alarms_planned_work_and_signs_of_life_are_kept_as_declared(small: str, estate: Path) -> None:
    configuration = load_text(small + TOLD, estate)
    assert configuration.alarms["bank_hot"].limit == 40.0
    assert configuration.planned_work[0].every_days == 28
    assert configuration.calendars[0].file == "work.ics"
    assert configuration.delivery.heartbeat_by == ("post",)


@pytest.mark.parametrize(
    ("right", "wrong", "fault"),
    [
        (
            'heartbeat_by = ["post"]',
            'heartbeat_by = ["pst"]',
            "delivery.heartbeat_by: want the id of a channel",
        ),
        ('id = "bank_hot"', 'id = "bank_hott"', "want an alarm of the catalogue (nearest known: 'bank_hot')"),
        (
            'id = "bank_hot"',
            'id = "output_off"',
            "alarm.output_off.limit: want nothing: this alarm has no limit",
        ),
        (
            'about = "A"\n',
            'about = "b1"\n',
            "planned_work.round.about: want the id of a site, supply, system or unit",
        ),
        ('about = "A1"', 'about = "A9"', "calendar.site.about: want the id of a site"),
        ('explains = "bank_test"', 'explains = "holiday"', "planned_work.round.explains: want"),
        ("lasts_s = 3600", "lasts_s = 0", "planned_work.round.lasts_s: want"),
    ],
)
def test_a_mistake_about_telling_is_a_fault(
    right: str, wrong: str, fault: str, small: str, faults: Faults
) -> None:
    assert right in TOLD
    assert fault in "\n".join(faults(small + TOLD.replace(right, wrong, 1)))


def test_a_broker_of_the_sites_word_wants_the_sites_token(small: str, faults: Faults) -> None:
    listened = '[set_words]\nhost = "127.0.0.1"\n'
    assert any(
        "listen.site_secret: want the secret with the site's token" in f for f in faults(small + listened)
    )
    wrong = listened + '[listen]\nsite_secret = "cards"\n'
    assert any("listen.site_secret: want a secret with token" in f for f in faults(small + wrong))
    missing = '[listen]\nsite_secret = "nobody"\n'
    assert any("listen.site_secret: want the name of a secret" in f for f in faults(small + missing))


def test_a_broker_that_is_wrong_in_itself_is_told_once(small: str, faults: Faults) -> None:
    broker = '[[channel]]\nid = "broker"\nkind = "mqtt"\nhost = "h"\nhoste = "x"\n'
    (found,) = faults(small + broker + '[delivery]\ncollectors = ["other"]\n')
    assert found.startswith("estate.toml: channel.broker: want known settings only")
