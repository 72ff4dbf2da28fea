"""The simulated estate over real sockets: what its cards say is what is so."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from collector.cards.mib.decode import decode
from collector.cards.mib.upsmib import TablePart
from collector.cards.mib.wire_values import WireState
from collector.cards.polling.reader import CardReader
from collector.cards.snmp.client import Patience
from collector.cards.snmp.credentials import Community
from collector.cards.snmp.errors import NoReply
from collector.cards.snmp.transport import Transport
from collector.configuration import load
from collector.process.clock import TurnedClock
from collector.simulation.estate import SimulatedEstate
from collector.simulation.plant.supply import FeedSource, time_to_carry_s
from collector.simulation.plant.unit import Mode
from collector.simulation.scenario.demonstration import BLOCKS, COMMUNITY, SETS, UNITS
from collector.simulation.scenario.director import (
    BankRenewed,
    CardFreezes,
    CardHangs,
    CardResets,
    Cue,
    MainsFails,
    MainsReturns,
    SetWill,
)
from rules.plant.reading import OutputSource, Reading, Stamp

START = datetime(2026, 11, 24, 12, tzinfo=UTC)


def clock() -> TurnedClock:
    return TurnedClock(START)


async def read(estate: SimulatedEstate, card: str, transport: Transport) -> Reading:
    host, _, port = estate.target_of(card).removeprefix("snmp://").rpartition(":")
    patience = Patience(deadline_s=0.2, retries=0)
    reader = CardReader.of(transport, host, int(port), Community(COMMUNITY.encode()), patience)
    wire = await reader.read(frozenset(TablePart))
    return decode(card, Stamp(START, 0.0, "test"), WireState().after(wire, START))


async def test_every_card_answers_and_the_file_says_where(tmp_path: Path) -> None:
    async with SimulatedEstate(tmp_path, clock=clock(), cues=()) as estate, Transport() as transport:
        configuration = load(estate.estate_file)
        for unit in UNITS:
            assert str(configuration.cards[unit.card].target) == estate.target_of(unit.card)
            reading = await read(estate, unit.card, transport)
            assert reading.output.source is OutputSource.NORMAL
            assert reading.missing == ()


async def test_an_honest_cards_watts_are_the_true_load(tmp_path: Path) -> None:
    turned = clock()
    async with SimulatedEstate(tmp_path, clock=turned, cues=()) as estate, Transport() as transport:
        shares = [(await read(estate, f"ossenby-{i}-card", transport)).output.power_w for i in (1, 2)]
        assert None not in shares
        assert sum(s for s in shares if s is not None) == pytest.approx(
            estate.truth().load_w("ossenby"), rel=0.02
        )


async def test_the_first_outage_teaches_and_ends(tmp_path: Path) -> None:
    """A minute in, Brackmere's mains is lost; its generator fires at the second try; the units walk in."""
    turned = clock()
    async with SimulatedEstate(tmp_path, clock=turned) as estate, Transport() as transport:
        await turned.advance(62.0)
        reading = await read(estate, "brackmere-1-card", transport)
        assert reading.output.source is OutputSource.BATTERY
        assert reading.card_alarms is not None
        assert "upsAlarmOnBattery" in reading.card_alarms
        away_s = time_to_carry_s(SETS["brackmere"], fires_at=2)
        assert away_s is not None
        await turned.advance(away_s - 3.0)
        assert estate.truth().supply("brackmere-mains").source is FeedSource.NOTHING
        await turned.advance(2.0)
        assert estate.truth().supply("brackmere-mains").source is FeedSource.GENERATOR
        await turned.advance(60.0)
        (outage,) = estate.outages
        assert outage.system == "brackmere"
        assert outage.ended is not None
        assert not outage.lost
        assert estate.truth().mode("brackmere-3") is Mode.NORMAL
        # the old bank would have ended first, and the load would have outlived it
        ends = outage.hold_up.bank_ends_s
        assert min(ends, key=lambda bank: ends[bank]) == "brackmere-3-bank"
        assert outage.hold_up.seconds is not None
        assert outage.hold_up.seconds > ends["brackmere-3-bank"]


async def test_a_play_without_set_ends_when_the_truth_said(tmp_path: Path) -> None:
    turned = clock()
    cues = [Cue(10.0, SetWill("ossenby-mains", fires_at=None)), Cue(10.0, MainsFails("ossenby-mains"))]
    async with SimulatedEstate(tmp_path, clock=turned, cues=cues) as estate:
        await turned.advance(11.0)
        foretold_s = estate.outages[0].hold_up.seconds
        assert foretold_s is not None
        await turned.advance(foretold_s - 3.0)
        assert not estate.truth().lost("ossenby")
        await turned.advance(4.0)
        assert estate.truth().lost("ossenby")
        assert estate.outages[0].lost


async def test_a_hung_card_is_silent_and_then_answers(tmp_path: Path) -> None:
    turned = clock()
    cues = [Cue(5.0, CardHangs("tollwick-1-card", 30.0))]
    async with SimulatedEstate(tmp_path, clock=turned, cues=cues) as estate, Transport() as transport:
        await turned.advance(7.0)
        with pytest.raises(NoReply):
            await read(estate, "tollwick-1-card", transport)
        await turned.advance(30.0)
        assert (await read(estate, "tollwick-1-card", transport)).output.source is OutputSource.NORMAL


async def test_a_frozen_card_repeats_itself_while_its_clock_runs(tmp_path: Path) -> None:
    turned = clock()
    cues = [
        Cue(5.0, CardFreezes("ossenby-1-card", 60.0)),
        Cue(8.0, MainsFails("ossenby-mains")),
        Cue(70.0, MainsReturns("ossenby-mains")),
    ]
    async with SimulatedEstate(tmp_path, clock=turned, cues=cues) as estate, Transport() as transport:
        before = await read(estate, "ossenby-1-card", transport)
        await turned.advance(20.0)
        frozen = await read(estate, "ossenby-1-card", transport)
        peer = await read(estate, "ossenby-2-card", transport)
        assert frozen.output == before.output
        assert frozen.agent_uptime_s is not None
        assert before.agent_uptime_s is not None
        assert frozen.agent_uptime_s - before.agent_uptime_s == pytest.approx(20.0, abs=1.0)
        assert peer.output.source is OutputSource.BATTERY


async def test_a_restarted_card_counts_from_nothing(tmp_path: Path) -> None:
    turned = clock()
    async with SimulatedEstate(tmp_path, clock=turned, cues=[]) as estate, Transport() as transport:
        estate.play(CardResets("ossenby-1-card"))
        await turned.advance(4.0)
        assert (await read(estate, "ossenby-1-card", transport)).agent_uptime_s == pytest.approx(4.0, abs=1.0)


async def test_how_the_clock_is_turned_does_not_matter(tmp_path: Path) -> None:
    def steps() -> Iterator[list[float]]:
        yield [150.0]
        yield [0.4, 61.3, 0.3, 20.0, 68.0]

    ends = []
    for i, turns in enumerate(steps()):
        turned = clock()
        async with SimulatedEstate(tmp_path / str(i), clock=turned) as estate:
            for seconds in turns:
                await turned.advance(seconds)
            ends.append(estate.truth().state)
    assert ends[0] == ends[1]


async def test_the_estate_is_the_same_after_a_restart_days_later(tmp_path: Path) -> None:
    async with SimulatedEstate(tmp_path, seed=5, clock=clock(), cues=()) as estate:
        first = estate.scenario
    later = TurnedClock(datetime(2026, 12, 3, 8, tzinfo=UTC))
    async with SimulatedEstate(tmp_path, seed=9, clock=later, cues=()) as estate:
        assert estate.scenario == first


async def test_true_capacity_is_one_for_a_new_bank_and_less_for_an_old_one(tmp_path: Path) -> None:
    async with SimulatedEstate(tmp_path, clock=clock(), cues=()) as estate:
        table = BLOCKS["Gritstone 17"].constant_power
        old = estate.truth().capacity_fraction("brackmere-3-bank", 9000.0, table)
        estate.play(BankRenewed("brackmere-3-bank"))
        new = estate.truth().capacity_fraction("brackmere-3-bank", 9000.0, table)
        assert new == pytest.approx(1.0, abs=0.03)
        assert old < 0.85
        assert estate.truth().bank("brackmere-3-bank").capacity == 1.0


async def test_a_play_that_was_stopped_goes_on_where_it_was_a_minute_in(tmp_path: Path) -> None:
    """Stopped amid the first outage: it is over when the play is taken up, and the next event comes soon."""
    async with SimulatedEstate(tmp_path, clock=(turned := clock())) as estate:
        await turned.advance(100.0)
        assert [o.system for o in estate.outages] == ["brackmere"]
    later = TurnedClock(START + timedelta(days=3))
    async with SimulatedEstate(tmp_path, clock=later) as estate, Transport() as transport:
        assert estate.truth().mode("brackmere-1") is Mode.NORMAL
        await later.advance(59.0)
        assert (await read(estate, "ossenby-1-card", transport)).output.source is OutputSource.NORMAL
        await later.advance(3.0)
        assert estate.outages == ()
        with pytest.raises(NoReply):  # what follows the first outage in the script: a card hangs
            await read(estate, "ossenby-1-card", transport)
