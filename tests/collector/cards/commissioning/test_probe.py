"""Probing a card: what it holds, and the entry to paste."""

import tomllib

import pytest

from collector.cards.commissioning.probe import ProbeReport, probe
from collector.cards.mib.upsmib import Conformance
from collector.cards.mib.wire_values import WireValue
from collector.cards.snmp.client import Patience
from collector.cards.snmp.credentials import Community, Version
from collector.cards.snmp.errors import NoReply
from collector.cards.snmp.target import CardTarget
from collector.simulation.cards.agent import Agent, AgentHost, Faults
from tests.collector.cards.sample_cards import GOOD, served

QUICK = Patience(0.2, 1)


async def _probe(values: dict[str, WireValue], version: Version = Version.V2C) -> ProbeReport:
    async with AgentHost() as host:
        place = await host.serve(Agent(lambda: served(values)))
        return await probe(CardTarget(*place), Community(b"public", version), patience=QUICK, every_s=0.01)


async def test_a_full_card() -> None:
    report = await _probe(GOOD)
    assert report.conformance is Conformance.FULL
    assert report.missing == ()
    assert report.notes == ()
    assert "upsOutputPercentLoad" in report.supported
    assert report.snmp_version == "2c"


async def test_a_card_of_the_subset_says_what_follows_from_what_it_lacks() -> None:
    held = {
        key: value
        for key, value in GOOD.items()
        if not key.startswith(("upsInput", "upsTest", "upsBypass", "upsOutput", "upsBatteryV", "upsEst"))
    }
    report = await _probe({**held, "upsOutputSource": 3})
    assert report.conformance is Conformance.SUBSET
    assert any("No output power" in note for note in report.notes)


async def test_the_entry_is_toml_names_a_secret_and_survives_hostile_text() -> None:
    report = await _probe({**GOOD, "upsIdentModel": 'F"W\n[[card]]\nid="x"'}, Version.V1)
    entry = tomllib.loads(report.estate_entry)
    assert list(entry) == ["unit", "card"]
    assert entry["unit"][0]["fitted"][0]["rating_w"] == 27000
    assert entry["unit"][0]["output_lines"] == 3
    assert entry["card"][0]["target"] == report.target
    assert entry["card"][0]["snmp_version"] == "1"
    assert "public" not in report.estate_entry


async def test_what_several_polls_decide_is_put_right_and_said() -> None:
    report = await _probe(GOOD | {f"upsOutputCurrent.{line}": 25 for line in (1, 2, 3)})
    assert report.reading.output.lines[0].current_a == 25.0
    assert [d.object for d in report.reading.doubts] == ["upsOutputCurrent"] * 3
    assert report.corrections.by_object["upsOutputCurrent"].factor == 10.0


async def test_a_silent_card_is_an_error_of_its_own() -> None:
    async with AgentHost() as host:
        place = await host.serve(Agent(lambda: served(GOOD), faults=Faults(hang=True)))
        with pytest.raises(NoReply):
            await probe(CardTarget(*place), Community(b"public"), patience=Patience(0.05, 0))
