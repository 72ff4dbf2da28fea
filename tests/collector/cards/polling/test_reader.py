"""A card read whole: what it holds is found once, and awkward cards are read all the same."""

from pathlib import Path

import pytest

from collector.cards.mib.capability import line_numbers
from collector.cards.mib.decode import decode
from collector.cards.mib.upsmib import OBJECTS_ROOT, SYS_UP_TIME, TablePart, standard_places
from collector.cards.mib.wire_values import CardRead, WireState
from collector.cards.polling.reader import KNOCK_AFTER, CardReader
from collector.cards.snmp import ber
from collector.cards.snmp.client import Patience
from collector.cards.snmp.credentials import Community, Version
from collector.cards.snmp.errors import NoReply
from collector.cards.snmp.transport import Transport
from collector.simulation.cards.agent import Agent, AgentHost, Faults, Typed
from rules.plant.reading import OutputSource
from tests.collector.cards.sample_cards import AT, GOOD, STAMP, net_snmp_agent, oid_of, served

ALL = frozenset(TablePart)
LIVE = frozenset({TablePart.LIVE})
QUICK = Patience(deadline_s=0.15, retries=1)


async def _read(agent: Agent, version: Version = Version.V2C, times: int = 1) -> tuple[CardRead, CardReader]:
    async with AgentHost() as host, Transport() as transport:
        address, port = await host.serve(agent)
        reader = CardReader.of(transport, address, port, Community(b"public", version), QUICK)
        for _ in range(times):
            wire = await reader.read(ALL)
        return wire, reader


def _expected() -> dict[str, object]:
    return {
        key: value for key, value in GOOD.items() if key in {k for p in TablePart for k in standard_places(p)}
    }


@pytest.mark.parametrize("version", [Version.V1, Version.V2C])
async def test_a_healthy_card_is_read_whole(version: Version) -> None:
    wire, _ = await _read(Agent(lambda: served(GOOD)), version)
    assert wire.values == _expected()
    assert wire.missing == ()
    assert wire.types == {}
    assert wire.alarms == ()


async def test_a_live_read_of_a_known_card_takes_few_requests() -> None:
    agent = Agent(lambda: served(GOOD))
    async with AgentHost() as host, Transport() as transport:
        place = await host.serve(agent)
        reader = CardReader.of(transport, *place, Community(b"public"), QUICK)
        await reader.read(ALL)
        before = agent.requests
        wire = await reader.read(LIVE)
        assert agent.requests - before <= 3
        for _ in range(10):
            await reader.read(LIVE)
        before = agent.requests
        await reader.read(LIVE)
        assert agent.requests - before == 1  # success let the requests grow
    assert wire.cost.requests <= 3
    assert wire.cost.retries == 0


@pytest.mark.parametrize("version", [Version.V1, Version.V2C])
async def test_missing_objects_are_named_and_not_asked_for_again(version: Version) -> None:
    gone = {"upsBatteryCurrent", "upsBatteryTemperature", "upsInputCurrent.2"}
    agent = Agent(lambda: served({k: v for k, v in GOOD.items() if k not in gone}))
    wire, reader = await _read(agent, version)
    assert wire.missing == ("upsBatteryCurrent", "upsBatteryTemperature")
    assert set(_expected()) - set(wire.values) == gone
    assert reader.capability is not None
    assert "upsInputCurrent.2" not in reader.capability.places


async def test_an_object_that_vanishes_fails_a_v1_request_and_costs_only_itself() -> None:
    values = dict(GOOD)
    agent = Agent(lambda: served(values))
    async with AgentHost() as host, Transport() as transport:
        place = await host.serve(agent)
        reader = CardReader.of(transport, *place, Community(b"public", Version.V1), QUICK)
        await reader.read(ALL)
        del values["upsBatteryTemperature"]
        wire = await reader.read(LIVE)
    assert "upsBatteryTemperature" not in wire.values
    assert wire.values["upsBatteryVoltage"] == 5451


async def test_a_card_that_cannot_be_walked_is_asked_object_by_object() -> None:
    gone = {"upsBatteryCurrent", "upsOutputPower.3"}
    agent = Agent(
        lambda: served({k: v for k, v in GOOD.items() if k not in gone}), faults=Faults(endless_walk=True)
    )
    for version in (Version.V1, Version.V2C):
        wire, _ = await _read(agent, version)
        assert set(_expected()) - set(wire.values) == gone


async def test_a_walk_without_getbulk() -> None:
    wire, _ = await _read(Agent(lambda: served(GOOD), faults=Faults(no_bulk=True)))
    assert wire.values == _expected()


@pytest.mark.parametrize("most", [1, 3, 7])
async def test_a_card_that_says_too_big_is_asked_for_less(most: int) -> None:
    wire, reader = await _read(Agent(lambda: served(GOOD), faults=Faults(too_big_above=most)))
    assert wire.values == _expected()
    assert reader.size <= most


async def test_a_card_that_is_silent_to_large_requests_is_asked_for_less() -> None:
    wire, reader = await _read(Agent(lambda: served(GOOD), faults=Faults(silent_above=8)))
    assert wire.values == _expected()
    assert reader.size <= 8


async def test_a_dead_card_is_one_error_and_its_request_size_is_not_blamed() -> None:
    async with AgentHost() as host, Transport() as transport:
        agent = Agent(lambda: served(GOOD))
        place = await host.serve(agent)
        reader = CardReader.of(transport, *place, Community(b"public"), QUICK)
        await reader.read(ALL)
        size = reader.size
        agent.faults.hang = True
        for _ in range(4):
            with pytest.raises(NoReply):
                await reader.read(LIVE)
        assert reader.size == size


async def test_a_card_that_stays_dead_is_asked_one_small_question_a_read_and_read_whole_once_it_answers() -> (
    None
):
    async with AgentHost() as host, Transport() as transport:
        agent = Agent(lambda: served(GOOD))
        reader = CardReader.of(transport, *await host.serve(agent), Community(b"public"), QUICK)
        await reader.read(ALL)
        agent.faults.hang = True
        for _ in range(KNOCK_AFTER):
            with pytest.raises(NoReply):
                await reader.read(ALL)
        before = agent.requests
        for _ in range(3):
            with pytest.raises(NoReply):
                await reader.read(ALL)
        assert agent.requests - before == 3
        agent.faults.hang = False
        assert (await reader.read(ALL)).values == _expected()


async def test_lost_replies_are_asked_for_again() -> None:
    wire, _ = await _read(Agent(lambda: served(GOOD), faults=Faults(drop_share=0.15, seed=3)))
    assert wire.values == _expected()
    assert wire.cost.retries > 0


async def test_alarms_are_read_where_the_card_has_any_whatever_it_counts() -> None:
    rows = ("upsAlarmFanFailure", "1.3.6.1.4.1.99999.7.3")
    for counted in (2, 0):
        wire, _ = await _read(Agent(lambda: served({**GOOD, "upsAlarmsPresent": counted}, rows)))  # noqa: B023
        state = WireState().after(wire, AT)
        assert decode("A1", STAMP, state).card_alarms == rows


async def test_the_table_is_read_again_when_the_count_changes_and_not_when_it_stays_at_none() -> None:
    table = {"now": served({**GOOD, "upsAlarmsPresent": 2}, ("upsAlarmOnBattery", "upsAlarmInputBad"))}
    agent = Agent(lambda: table["now"])
    async with AgentHost() as host, Transport() as transport:
        place = await host.serve(agent)
        reader = CardReader.of(transport, *place, Community(b"public"), QUICK)
        reader.size = reader.most  # else requests grow meanwhile, and become fewer
        await reader.read(ALL)
        table["now"] = served(GOOD)
        state = WireState().after(await reader.read(LIVE), AT)
        assert decode("A1", STAMP, state).card_alarms == (), "at once, not with the next slow part"
        before = agent.requests
        await reader.read(LIVE)
        without = agent.requests - before
        # a card that leaves a row behind and counts none
        table["now"] = served(GOOD, ("upsAlarmOnBattery",))
        await reader.read(ALL)
        before = agent.requests
        for _ in range(3):
            assert (await reader.read(LIVE)).alarms is None
        assert agent.requests - before == 3 * without, (
            "the count is not believed, nor asked about at each poll"
        )


async def test_rows_with_an_extra_arc_and_zero_based_rows_are_found() -> None:
    def moved(move: str) -> dict[str, Typed]:
        table = {}
        for key, value in GOOD.items():
            oid, typed = next(iter(served({key: value}).items()))
            name, _, line = key.partition(".")
            if line:
                stem = oid_of(key).rpartition(".")[0]
                oid = f"{stem}.{line}.0" if move == "extra" else f"{stem}.{int(line) - 1}"
            elif name == "upsBatteryVoltage" and move == "extra":
                oid = oid.removesuffix(".0") + ".1.0"
            table[oid] = typed
        return table

    for move in ("extra", "zero"):
        wire, _ = await _read(Agent(lambda: moved(move)))  # noqa: B023
        assert wire.values == _expected()
        assert wire.odd_places["upsOutputVoltage.1"] != oid_of("upsOutputVoltage.1")
        doubts = decode("A1", STAMP, WireState().after(wire, AT)).doubts
        assert any(d.object == "upsOutputVoltage" and d.kind == "place" for d in doubts)


def test_rows_that_no_arc_tells_apart_are_numbered_in_order() -> None:
    assert line_numbers([(1, 1), (1, 2), (1, 3)]) == {(1, 1): 1, (1, 2): 2, (1, 3): 3}
    assert line_numbers([(0,)]) == {(0,): 1}
    assert line_numbers([(1, 0), (2, 0), (3, 0)]) == {(1, 0): 1, (2, 0): 2, (3, 0): 3}


@pytest.mark.real_server
@pytest.mark.parametrize("version", [Version.V1, Version.V2C])
async def test_a_real_net_snmp_agent_is_read(tmp_path: Path, version: Version) -> None:
    with net_snmp_agent(tmp_path) as agent:
        async with Transport() as transport:
            reader = CardReader.of(transport, "127.0.0.1", agent.port, Community(b"public", version))
            wire = await reader.read(ALL)
            reading = decode("A1", STAMP, WireState().after(wire, AT))
            agent.serve(served({**GOOD, "upsOutputSource": 5, "upsBatteryCurrent": 312}))
            later = await reader.read(LIVE)
    expected = _expected()
    assert {k: v for k, v in wire.values.items() if k != "sysUpTime"} == {
        k: v for k, v in expected.items() if k not in {"sysUpTime", "upsTestResultsDetail"}
    } | {"upsTestResultsDetail": ""}
    assert reading.battery.voltage_v == pytest.approx(545.1)
    assert reading.output.power_w == 15300
    assert reading.doubts == ()
    assert later.values["upsOutputSource"] == 5
    assert decode("A1", STAMP, WireState().after(later, AT)).output.source is OutputSource.BATTERY


async def test_a_hostile_card_gives_safe_text() -> None:
    table = served(GOOD)
    table[oid_of("upsIdentModel")] = (ber.OCTET_STRING, b"<b>FW\x1b[2J\x00\xff" + b"x" * 400)
    wire, _ = await _read(Agent(lambda: table))
    model = wire.values["upsIdentModel"]
    assert isinstance(model, str)
    assert len(model) <= 255
    assert "\x1b" not in model
    assert "\x00" not in model


def test_the_walk_root_is_the_standards() -> None:
    assert OBJECTS_ROOT == "1.3.6.1.2.1.33.1"
    assert SYS_UP_TIME == "1.3.6.1.2.1.1.3.0"


async def test_alike_cards_share_what_they_hold_and_how_they_are_asked() -> None:
    agents = [Agent(lambda: served(GOOD)) for _ in range(20)]
    async with AgentHost() as host, Transport() as transport:
        readers = []
        for agent in agents:
            reader = CardReader.of(transport, *await host.serve(agent), Community(b"public"), QUICK)
            await reader.read(ALL)
            await reader.read(LIVE)
            readers.append(reader)
        shared = {id(reader.capability) for reader in readers}
        assert len(shared) == 1
    held = readers[0].capability
    assert held is not None
    for parts in (ALL, LIVE):
        assert len({id(reader._plan(parts, held)) for reader in readers}) == 1
    asked = [f"1.3.6.1.2.1.33.1.{n}.0" for n in range(20)]
    assert len({id(ber.asking(ber.GET, tuple(asked))) for _ in readers}) == 1


async def test_what_moved_since_the_last_read_is_told_and_is_all_that_did() -> None:
    """Numbers that move are told; a card that says anything else is read whole, and nothing is missed on the way."""
    values = dict(GOOD)
    agent = Agent(lambda: served(values))
    async with AgentHost() as host, Transport() as transport:
        place = await host.serve(agent)
        reader = CardReader.of(transport, *place, Community(b"public"), QUICK)
        reader.size = 64
        await reader.read(ALL)
        before = await reader.read(LIVE)
        changes: list[tuple[dict[str, int | str | None], bool]] = [
            ({"sysUpTime": int(GOOD["sysUpTime"]) + 1, "upsOutputPower.2": 4711}, True),
            ({}, True),
            ({"upsOutputPower.2": 4712, "upsBatteryCurrent": -20, "upsOutputSource": 5}, True),
            ({"upsOutputPower.2": 70_000}, False),  # an octet longer
            ({"upsOutputPower.2": 70_001}, True),
            ({"upsOutputPower.2": "70 kW"}, False),
            ({"upsOutputPower.2": 4711}, False),
            ({"upsOutputPower.1": 4711}, True),
            ({"upsOutputPower.3": None}, False),
            ({"upsOutputPower.1": 4712}, False),
        ]
        for change, told in changes:
            for key, value in change.items():
                if value is None:
                    del values[key]
                else:
                    values[key] = value
            wire = await reader.read(LIVE)
            fresh = CardReader.of(transport, *place, Community(b"public"), QUICK)
            fresh.capability, fresh.size = reader.capability, 64
            anew = await fresh.read(LIVE)
            assert (wire.values, wire.types) == (anew.values, anew.types)
            assert (wire.since != 0) is told, change
            if told:
                assert wire.since == before.number
                assert {**before.values, **{key: wire.values[key] for key in wire.moved}} == wire.values
                assert set(wire.moved) == {k for k in wire.values if wire.values[k] != before.values[k]}
            before = wire
