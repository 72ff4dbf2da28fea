"""A range of addresses, asked for cards."""

import pytest

from collector.cards.commissioning.survey import addresses_of, survey
from collector.cards.snmp import ber
from collector.cards.snmp.client import Patience
from collector.cards.snmp.credentials import Community, Version
from collector.simulation.cards.agent import Agent, AgentHost
from tests.collector.cards.sample_cards import GOOD, free_port, served


@pytest.mark.parametrize(
    ("text", "count", "first"),
    [
        ("192.0.2.0/24", 254, "192.0.2.1"),
        ("192.0.2.77/30", 2, "192.0.2.77"),
        ("192.0.2.5", 1, "192.0.2.5"),
        ("192.0.2.5-192.0.2.9", 5, "192.0.2.5"),
        ("10.1.0.0/22", 1022, "10.1.0.1"),
        ("2001:db8::10-2001:db8::1f", 16, "2001:db8::10"),
    ],
)
def test_a_range_as_a_person_writes_it(text: str, count: int, first: str) -> None:
    found = addresses_of(text)
    assert len(found) == count
    assert found[0] == first


@pytest.mark.parametrize(
    "text",
    ["10.0.0.0/21", "10.0.0.0-10.0.4.0", "192.0.2.9-192.0.2.5", "cards", "2001:db8::/64", "::1-1.2.3.4"],
)
def test_what_is_too_large_or_no_range_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="at most 1024"):
        addresses_of(text)


@pytest.mark.parametrize("version", [Version.V1, Version.V2C])
async def test_cards_are_found_and_others_named(version: Version) -> None:
    port = free_port()
    steps: list[tuple[int, int, int]] = []
    async with AgentHost() as host:
        await host.serve(Agent(lambda: served(GOOD)), "127.0.7.2", port)
        await host.serve(Agent(lambda: {"1.3.6.1.2.1.1.3.0": (ber.TIME_TICKS, 1)}), "127.0.7.3", port)
        await host.serve(Agent(lambda: served(GOOD), communities={b"other"}), "127.0.7.5", port)
        report = await survey(
            addresses_of("127.0.7.1-127.0.7.6"),
            Community(b"public", version),
            port=port,
            per_s=1000.0,
            patience=Patience(0.1, 0),
            progress=lambda *step: steps.append(step),
        )
    assert [card.target for card in report.cards] == [f"snmp://127.0.7.2:{port}"]
    assert report.cards[0].name == "Fernhill Works FW 30"
    assert report.others == (f"snmp://127.0.7.3:{port}",)
    assert report.silent == 4
    assert report.asked == 6
    assert steps[-1] == (6, 6, 1)
