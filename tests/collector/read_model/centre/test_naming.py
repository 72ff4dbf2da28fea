"""A site's name stands before each of its things, wherever one is named, and before nothing else."""

from __future__ import annotations

import ast
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from collector.read_model.centre.naming import CARRYING, SiteNames
from collector.storage.ledger.records import IncidentLine, JournalLine
from rules.alarms.catalogue import CATALOGUE, Cause
from rules.alarms.incidents.incident import Incident, IncidentPart
from rules.alarms.lifecycle.alarm import new_alarm
from rules.plant.estate import Estate
from rules.plant.topology import Topology
from rules.values.code import Code
from rules.values.reason import reason
from rules.values.serial import to_plain
from rules.values.severity import Severity
from tests.rules.sample_plant import estate, fault, overdue_bank, reading, silence, system_state

AT = datetime(2026, 11, 24, 10, tzinfo=UTC)
PLANT = estate()
NAMES = SiteNames("east", PLANT)
SENTENCES = Path(__file__).parents[4] / "rules" / "phrasing" / "sentences"

WORDS = {
    "alarm", "bare", "because", "before", "buys", "by", "calendar", "changes", "cold", "curve", "detail", "do", "fault", "findings",
    "first", "hints", "job", "kind", "limit", "lines", "name", "named", "note", "now", "offers", "one", "other", "purpose",
    "rest", "risks", "said", "short", "siblings", "source", "standing", "stands", "state", "status", "step", "steps",
    "type_name", "unanswered", "verdict", "wanted_for", "was", "what", "why", "words", "work", "worked", "wrong",
}  # fmt: skip
"""Arguments of sentences that hold words, or other reasons, and never an id."""


def ids_of(plant: Estate) -> set[str]:
    things = (
        plant.sites,
        plant.supplies,
        plant.generators,
        plant.systems,
        plant.units,
        plant.cards,
        plant.banks,
    )
    return {name for of in things for name in of}


def left_bare(plain: object) -> set[str]:
    """Return the ids of the sample plant that stand anywhere without the site's name."""
    if isinstance(plain, dict):
        return left_bare(list(plain)) | left_bare(list(plain.values()))
    if isinstance(plain, list):
        return set().union(*map(left_bare, plain))
    return {plain} & ids_of(PLANT) if isinstance(plain, str) else set()


def test_no_thing_of_a_site_is_left_without_its_name() -> None:
    banks = reason(Code.TELL_BY_CARRYING, "W1", banks=("W1", "W2"), why=reason(Code.ON_BATTERY_NOW, "W3"))
    alarm = replace(new_alarm(CATALOGUE["on_battery"], "W1", "", 0.0), what=banks, incident="power-main-1")
    values = (
        PLANT, system_state("works", 10.0), overdue_bank("W1"), reading("W1", 1.0), silence("W2", 1.0), fault("W3", 1.0), alarm,
    )  # fmt: skip
    assert [left_bare(to_plain(NAMES.put(value))) for value in values] == [set()] * len(values)


def test_the_joined_plant_hangs_together() -> None:
    named = NAMES.put(PLANT)
    assert [len(Topology(named).path(unit)) for unit in named.units] == [
        len(Topology(PLANT).path(unit)) for unit in PLANT.units
    ]
    assert all(key == thing.id for key, thing in named.units.items())
    assert {unit.system for unit in named.units.values()} <= set(named.systems)


def test_a_system_is_called_by_its_site_and_its_name() -> None:
    for name, system in NAMES.put(PLANT).systems.items():
        plain = PLANT.systems[name.partition(":")[2]]
        assert system.name == f"{PLANT.sites[plain.site].name}: {plain.name}"


def test_an_alarm_keeps_its_kind_and_says_whose_it_is() -> None:
    about_itself = NAMES.put(new_alarm(CATALOGUE["disk_filling"], "ridethrough", "", 0.0))
    assert (about_itself.id, about_itself.about) == ("disk_filling:east:ridethrough", "east:ridethrough")


def test_an_incident_and_its_lines_are_named_alike() -> None:
    part = IncidentPart("works", AT, units=("W1",))
    incident = Incident(
        "power-main-1", "power-main", Cause.POWER, "main", AT, 0.0, Severity.MAJOR,
        members=("on_battery:W1",), parts={"works": part}, told_in="power-main-0",
    )  # fmt: skip
    kept = IncidentLine(incident.id, "main", "major", AT, body=to_plain(incident))
    named = NAMES.put(kept)
    assert named.id == named.body["id"] == "east:power-main-1"
    assert named.body["members"] == ["on_battery:east:W1"]
    assert named.body["told_in"] == "east:power-main-0"
    assert named.body["parts"]["east:works"]["units"] == ["east:W1"]
    line = NAMES.put(JournalLine(AT, "alarm_occur", "W1", "Unit W1.", "power-main-1", "on_battery:W1"))
    assert (line.about, line.incident, line.alarm) == (
        "east:W1",
        "east:power-main-1",
        "on_battery:east:W1",
    )
    assert line.text == "Unit W1."  # it was told so
    later = replace(kept, body={"of": "a later version"})
    assert NAMES.put(later).body == later.body


def test_words_that_are_spelt_as_a_thing_is_stay_as_they_are() -> None:
    supply = next(iter(PLANT.supplies.values()))
    names = SiteNames("east", replace(PLANT, supplies={**PLANT.supplies, "va": supply}))
    assert names.put(reason(Code.LINE_FAILS, "works", limit="va"))["limit"] == "va"


def test_the_site_that_a_collector_is_called_by_keeps_its_name() -> None:
    site = next(iter(PLANT.sites))
    assert SiteNames(site, PLANT).of(site) == site
    assert NAMES.of(site) == f"east:{site}"


def test_of_each_argument_of_a_sentence_it_is_known_whether_it_carries_an_id() -> None:
    found: set[str] = set()
    for path in SENTENCES.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.FunctionDef) and any("says" in ast.dump(d) for d in node.decorator_list):
                found |= {
                    a.arg for a in node.args.kwonlyargs if a.annotation and "str" in ast.unparse(a.annotation)
                }
    assert found - CARRYING - WORDS == {"alarms"}  # reasons, or what a card's alarms are called
    assert set() == CARRYING & WORDS
