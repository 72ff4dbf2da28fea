"""Parts through JSON and back, and what is refused."""

from __future__ import annotations

import zlib
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from collector.messaging.centre.parts import (
    LARGEST_BYTES,
    AlarmsPart,
    BankPart,
    BeatPart,
    HadPart,
    NotAPartError,
    Part,
    PlantPart,
    RecordPart,
    SystemPart,
    Told,
    payload_of,
    text_of,
    told_of,
)
from collector.messaging.delivery.letter import Telling
from collector.storage.ledger.records import IncidentLine, JournalLine
from rules.alarms.catalogue import CATALOGUE
from rules.alarms.lifecycle.alarm import new_alarm
from rules.values.code import Code
from rules.values.reason import reason
from tests.rules.sample_plant import estate, fault, overdue_bank, reading, silence, system_state

AT = datetime(2026, 11, 24, 10, 0, 0, 123456, tzinfo=UTC)
LINE = JournalLine(
    AT, "alarm_occur", "W1", "Unit W1.", "power-1", "on_battery:W1", body={"a": [1, None]}, seq=7
)
INCIDENT = IncidentLine("power-1", "main", "major", AT, None, body={"key": "power", "parts": {}})
ALARM = replace(new_alarm(CATALOGUE["on_battery"], "W1", "", 0.0), what=reason(Code.SAFETY), since=AT)


@pytest.mark.parametrize(
    ("topic", "part"),
    [
        ("system/works", SystemPart(system_state("works", 10.0), None, (reading("W1", 1.0),), (silence("W2", 2.0),), (fault("W3", 3.0),))),
        ("bank/b", BankPart(overdue_bank("W1"))),
        ("alarms", AlarmsPart((ALARM,), (INCIDENT,), {"power-1": (Telling("Ada", "mail", AT, "250 ok"),)})),
        ("record", RecordPart("b00k", 6, 7, (LINE,), (INCIDENT,))),
        ("beat", BeatPart()),
        ("had", HadPart("b00k", 7)),
    ],
)  # fmt: skip
def test_a_part_arrives_as_it_was_told(topic: str, part: Part) -> None:
    told = Told("run-1", 3, AT, part)
    assert told_of(topic, payload_of(told)) == told


def test_a_plant_arrives_with_the_clocks_of_its_sites() -> None:
    plant = estate()
    sites = {
        n: replace(s, time_zone="Europe/London", zone=ZoneInfo("Europe/London"))
        for n, s in plant.sites.items()
    }
    told = Told("run-1", 1, AT, PlantPart("North", "abc", "1.0", 10.0, replace(plant, sites=sites)))
    assert told_of("plant", payload_of(told)) == told


@pytest.mark.parametrize(
    "change",
    [
        {"units": {}},
        {"systems": {}},
        {"supplies": {}},
        {"cards": {"x": replace(next(iter(estate().cards.values())), id="x", covers=("nobody",))}},
        {"banks": {"x": replace(next(iter(estate().banks.values())), id="x", feeds=())}},
        {"units": {"a:b": replace(next(iter(estate().units.values())), id="a:b")}},
    ],
)
def test_a_plant_that_does_not_hang_together_is_refused(change: dict[str, Any]) -> None:
    plant = PlantPart("N", "v", "1", 10.0, replace(estate(), **change))
    with pytest.raises(NotAPartError):
        told_of("plant", payload_of(Told("a", 1, AT, plant)))


@pytest.mark.parametrize(
    ("topic", "text"),
    [
        ("nonsense", "{}"),
        ("beat", ""),
        ("beat", "[]"),
        ("beat", '{"start":"a","number":1,"at":"yesterday","part":{}}'),
        ("had", '{"start":"a","number":1,"at":"2026-11-24T10:00:00Z","part":{"book":3}}'),
        ("had", "[" * 100_000),
        ("plant", text_of(Told("a", 1, AT, PlantPart("N", "v", "1", 10.0, estate()))).replace("Europe/", "Nowhere/")),
    ],
)  # fmt: skip
def test_what_is_no_part_is_refused(topic: str, text: str) -> None:
    with pytest.raises(NotAPartError):
        told_of(topic, zlib.compress(text.encode()))


@pytest.mark.parametrize(
    "payload",
    [b"", b"{}", zlib.compress(b"{}" * 1000)[:-9], zlib.compress(b" " * (LARGEST_BYTES + 1))],
    ids=["nothing", "not packed", "cut off", "a small payload that would fill the memory"],
)
def test_what_is_not_packed_or_too_large_is_refused(payload: bytes) -> None:
    with pytest.raises(NotAPartError):
        told_of("beat", payload)


def test_a_part_is_packed() -> None:
    told = Told("run-1", 1, AT, PlantPart("North", "abc", "1.0", 10.0, estate()))
    assert len(payload_of(told)) < len(text_of(told)) / 2
