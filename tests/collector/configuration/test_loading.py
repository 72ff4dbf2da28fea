"""The estate file as a whole: the example, what becomes of it, and faults told all at once."""

import pickle
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.configuration import ConfigError, Configuration, load, load_text
from collector.configuration.channel_tables import MailSettings
from collector.configuration.faults import FaultList
from collector.configuration.loading import check_tables
from collector.configuration.secrets import CommunitySecret, SnmpUser
from collector.planning.planned_work import windows
from rules.alarms.catalogue import with_overrides
from rules.plant.estate import AnswerTimes, Charging, Purpose, VoltageReported, in_place
from rules.values.severity import Severity

DEPLOY = Path(__file__).resolve().parents[3] / "deploy"
WATCH = '[watch]\nbox_fed_by = "A"\nswitches_fed_by = "A"\nway_out_fed_by = "mains"\n'
Faults = Callable[[str], list[str]]


def example(tmp_path: Path) -> Configuration:
    for name in ("example-estate.toml", "example-secrets.toml"):
        (tmp_path / name).write_bytes((DEPLOY / name).read_bytes())
    (tmp_path / "example-secrets.toml").chmod(0o600)
    return load(tmp_path / "example-estate.toml")


def test_the_example_estate_has_no_fault_and_leaves_nothing_unanswered(tmp_path: Path) -> None:
    assert example(tmp_path).warnings == ()


def test_the_example_estate_becomes_the_rules_values(tmp_path: Path) -> None:
    configuration = example(tmp_path)
    estate = configuration.estate
    assert [u.id for u in estate.units_of("core")] == ["core-1", "core-2"]
    assert estate.units["core-2"].line_order == (2, 3, 1)
    old = in_place(estate.units["core-1"].fitted, date(2023, 9, 1))
    new = in_place(estate.units["core-1"].fitted, date(2023, 9, 2))
    assert old is not None
    assert new is not None
    assert (old.model, new.model) == ("Halyard 30", "Halyard 40")
    split = estate.banks["bank-2"]
    assert (split.cells, split.reported_cells) == (240, 120)
    assert (split.charging, split.voltage_reported) == (Charging.INTERMITTENT, VoltageReported.HALF)
    requirement = estate.systems["core"].requirements[0]
    assert (requirement.purpose, requirement.required_s) == (Purpose.GENERATOR_START, None)
    generator = estate.generator_of("core")
    assert generator is not None
    assert generator.hand_start_s == 1500.0
    assert pickle.loads(pickle.dumps(estate)) == estate


def test_the_example_shows_how_telling_is_set_and_what_comes_of_it(tmp_path: Path) -> None:
    configuration = example(tmp_path)
    times = configuration.estate.sites["millrace"].answer_within
    assert times == AnswerTimes(critical_s=180.0, major_s=1200.0, minor_s=None, warning_s=None)
    alarms = with_overrides(configuration.alarms)
    assert (alarms["bank_hot"].bound.value, alarms["bank_hot"].bound.deadband) == (35.0, 2.0)
    assert alarms["redundancy_lost"].escalate_after_s(Severity.CRITICAL) == 600.0
    assert (configuration.delivery.collector, configuration.delivery.most_messages) == ("millrace-1", 8)
    assert [t.reminded for p in configuration.people.persons for t in p.tell] == [
        True,
        True,
        True,
        False,
        True,
    ]
    at = datetime(2026, 11, 9, 12, tzinfo=UTC)
    found = windows(configuration.planned_work, at, time_zone="Europe/London")
    # 2026-11-10 is the day of the fans, and 11 times 28 days after 6 January at the same hour of the wall
    assert [(w.id, w.start.astimezone(UTC)) for w in found] == [
        ("set-test-2026-11-10", datetime(2026, 11, 10, 7, tzinfo=UTC)),
        ("core-2-fans-2026-11-10", datetime(2026, 11, 10, 9, tzinfo=UTC)),
    ]
    assert [c.file for c in configuration.calendars] == ["network-work.ics"]


def test_the_example_cards_have_their_address_credentials_and_cadence(tmp_path: Path) -> None:
    first, second = example(tmp_path).cards.values()
    assert str(first.target) == "snmp://192.0.2.31"
    assert (first.snmp_version, first.polling.every_s, first.polling.on_battery_every_s) == ("2c", 5.0, 2.0)
    assert isinstance(first.credentials, CommunitySecret)
    assert str(second.target) == "snmp://[2001:db8:40::32]:1161"
    assert (second.snmp_version, second.polling.every_s) == ("3", 10.0)
    assert isinstance(second.credentials, SnmpUser)


def test_the_example_people_and_channels_are_kept_as_declared(tmp_path: Path) -> None:
    configuration = example(tmp_path)
    assert isinstance(configuration.channels["post"], MailSettings)
    ada = configuration.people.persons[1]
    assert ada.reach[0].address == "ada.fenn@millrace.example"
    assert ada.tell[0].unanswered_s == 300.0


def test_the_smallest_estate_loads_and_the_unanswered_watch_is_a_warning(small: str, estate: Path) -> None:
    configuration = load_text(small, estate)
    assert configuration.estate.units["A1"].line_order == (1, 2, 3)
    assert [w.place for w in configuration.warnings] == [
        "watch.box_fed_by",
        "watch.switches_fed_by",
        "watch.way_out_fed_by",
    ]
    assert load_text(small + WATCH, estate).warnings == ()


def test_every_fault_of_both_files_is_told_at_once(small: str, estate: Path, faults: Faults) -> None:
    (estate.parent / "secrets.toml").write_text('[cards]\ncomunity = "hush-hush"\n', encoding="utf-8")
    text = (
        small.replace('time_zone = "Europe/Paris"', 'time_zone = "Mars/Olympus"')
        .replace("rating_w = 27000", "rating_w = 33000")
        .replace('feeds = ["A1"]', 'feeds = ["A2"]')
        .replace("blocks = 40", "blocks = 41")
        + '[polling]\nevery_s = "5s"\n'
    )
    found = faults(text)
    assert [f.partition(": want")[0] for f in found] == [
        "estate.toml: polling.every_s",
        "estate.toml: site.s.time_zone",
        "estate.toml: unit.A1.fitted#1.rating_w",
        "estate.toml: bank.b1.fitted#1.blocks",
        "estate.toml: bank.b1.feeds",
        "secrets.toml: cards.user",
        "secrets.toml: cards",
    ]


def test_a_fault_names_file_place_wanted_and_come(small: str, faults: Faults) -> None:
    text = small + '[polling]\ndeadline_s = "10s"\n'
    assert faults(text) == ["estate.toml: polling.deadline_s: want a number; got '10s'"]


@pytest.mark.parametrize(
    ("right", "wrong", "place", "nearest"),
    [
        ("spare_units", "spare_unit", "system.A", "spare_units"),
        ("rating_va", "rating_kva", "unit.A1.fitted#1", "rating_va"),
        ("[[card]]", "[[cards]]", "cards", "card"),
        ('covers = ["A1"]', 'covers = ["A11"]', "card.c1.covers", "A1"),
        ('secret = "cards"', 'secret = "card"', "card.c1.secret", "cards"),
        ("blocks = 40", "blocks = 40\ndesign_live_years = 10", "bank.b1.fitted#1", "design_life_years"),
    ],
)
def test_a_misspelt_name_is_told_with_the_nearest_known(
    right: str, wrong: str, place: str, nearest: str, request: pytest.FixtureRequest
) -> None:
    small: str = request.getfixturevalue("small")
    faults: Faults = request.getfixturevalue("faults")
    found = [f for f in faults(small.replace(right, wrong)) if "nearest known" in f]
    assert len(found) == 1
    assert found[0].startswith(f"estate.toml: {place}: ")
    assert f"nearest known: '{nearest}'" in found[0]


CHANNEL = '[[channel]]\nid = "desk"\nkind = "webhook"\nurl = "https://desk.example/in"\nsecret = "post"\n'


def test_a_misspelt_kind_is_told_with_the_nearest_known(small: str, faults: Faults) -> None:
    (found,) = faults(small + CHANNEL.replace("webhook", "webhok"))
    want = "one of 'mqtt', 'mail', 'webhook', 'command', 'syslog', 'snmp' (nearest known: 'webhook')"
    assert found == f"estate.toml: channel.desk.kind: want {want}; got 'webhok'"


def test_a_word_out_of_a_list_is_told_with_the_nearest(small: str, faults: Faults) -> None:
    (found,) = faults(small.replace("orderly_shutdown", "orderly_shutdwn"))
    assert "(nearest known: 'orderly_shutdown'); got 'orderly_shutdwn'" in found


@pytest.mark.parametrize("name", ["description", "subscription", "encryption"])
def test_a_name_that_is_like_none_has_no_nearest(name: str, small: str, faults: Faults) -> None:
    """A webhook knows nothing of `encryption`, and `description` is no slip for it either."""
    found = faults(small + CHANNEL + f'{name} = "x"\n')
    assert f"estate.toml: channel.desk: want known settings only; got '{name}'" in found
    mail = CHANNEL.replace(
        '"webhook"\nurl = "https://desk.example/in"', '"mail"\nhost = "h"\nsender = "a@b.example"'
    )
    mailed = faults(small + mail + 'description = "x"\n')
    assert "estate.toml: channel.desk: want known settings only; got 'description'" in mailed


def test_text_that_is_no_toml_is_told_by_line_and_column(faults: Faults) -> None:
    (found,) = faults("[[site]]\nid = \n")
    assert found.startswith("estate.toml: line 2, column 6: want a value behind id =; got nothing")


def test_a_missing_file_and_bytes_that_are_no_text_are_one_fault_each(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="want an estate file that can be read; got No such file"):
        load(tmp_path / "none.toml")
    (tmp_path / "bytes.toml").write_bytes(b"a = \xff")
    with pytest.raises(ConfigError, match="byte 5: want text in UTF-8"):
        load(tmp_path / "bytes.toml")


def test_an_empty_file_is_told_what_it_needs(faults: Faults) -> None:
    assert [f.split(": ")[1] for f in faults("")] == ["site", "supply", "system", "unit", "card"]


@given(st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text("ab_", max_size=3), inner, max_size=3),
    max_leaves=6,
))  # fmt: skip
@settings(max_examples=60, deadline=None)
def test_whatever_stands_where_a_table_belongs_is_a_fault_and_never_a_crash(value: object) -> None:
    notes = FaultList("estate.toml")
    check_tables({"site": value, "unit": [value], "listen": value}, notes)
    assert notes.faults


def test_loading_an_estate_imports_nothing_heavy() -> None:
    code = (
        "import sys, collector.configuration; "
        "print([m for m in ('scipy', 'numpy', 'fastapi', 'pysnmp', 'influxdb_client', 'asyncio') if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=DEPLOY.parent
    )
    assert done.stdout.strip() == "[]"


def test_how_a_card_is_to_be_read_names_objects_of_the_mib(small: str, estate: Path, faults: Faults) -> None:
    right = 'covers = ["A1"]\nread_as = { upsOutputCurrent = 10, upsBatteryTemperature = "not_known" }'
    assert load_text(small.replace('covers = ["A1"]', right), estate).cards["c1"].read_as == {
        "upsOutputCurrent": 10.0,
        "upsBatteryTemperature": None,
    }
    wrong = 'covers = ["A1"]\nread_as = { upsOutputCurrents = 10 }'
    (found,) = faults(small.replace('covers = ["A1"]', wrong))
    assert "want a measured object of RFC 1628; got upsOutputCurrents" in found
