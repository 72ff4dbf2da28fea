"""The simulated agent, asked by net-snmp's own tools and by messages made by hand."""

import asyncio

import pytest

from collector.cards.snmp import ber
from collector.simulation.cards.agent import Agent, AgentHost, Faults
from tests.servers import need_program

VALUES: dict[str, tuple[int, ber.Value]] = {
    "1.3.6.1.2.1.1.3.0": (ber.TIME_TICKS, 123456),
    "1.3.6.1.2.1.33.1.1.1.0": (ber.OCTET_STRING, b"Fernhill Works"),
    "1.3.6.1.2.1.33.1.2.5.0": (ber.INTEGER, 5451),
    "1.3.6.1.2.1.33.1.2.6.0": (ber.INTEGER, -12),
    "1.3.6.1.2.1.33.1.4.4.1.2.1": (ber.INTEGER, 230),
    "1.3.6.1.2.1.33.1.4.4.1.2.2": (ber.INTEGER, 231),
    "1.3.6.1.2.1.33.1.4.4.1.2.10": (ber.INTEGER, 229),
    "1.3.6.1.2.1.33.1.6.1.0": (ber.GAUGE32, 4294967295),
}


def _ask(agent: Agent, kind: int, oids: list[str], version: int = ber.VERSION_2C) -> ber.Pdu | None:
    request = ber.request_template(version, b"public", ber.pdu_template(kind, oids))
    reply = agent.respond(request.with_id(ber.FIRST_ID))
    return None if reply is None else ber.decode_message(reply).pdu


async def _run(*command: str) -> str:
    process = await asyncio.create_subprocess_exec(
        *command, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.STDOUT
    )
    out, _ = await asyncio.wait_for(process.communicate(), 10)
    return out.decode()


@pytest.mark.real_server
@pytest.mark.parametrize("version", ["1", "2c"])
async def test_net_snmp_reads_single_values(version: str) -> None:
    get = need_program("snmpget")
    async with AgentHost() as host:
        address, port = await host.serve(Agent(lambda: VALUES))
        out = await _run(
            get, f"-v{version}", "-cpublic", "-One", "-m", "", f"{address}:{port}", *list(VALUES)[:4]
        )
    assert ".1.3.6.1.2.1.33.1.2.5.0 = INTEGER: 5451" in out
    assert ".1.3.6.1.2.1.33.1.2.6.0 = INTEGER: -12" in out
    assert '"Fernhill Works"' in out
    assert "(123456)" in out


@pytest.mark.real_server
async def test_net_snmp_walks_the_agent_in_the_order_of_the_mib() -> None:
    walk = need_program("snmpbulkwalk")
    async with AgentHost() as host:
        address, port = await host.serve(Agent(lambda: VALUES))
        out = await _run(walk, "-v2c", "-cpublic", "-One", "-m", "", f"{address}:{port}", "1.3.6.1.2.1.33")
    names = [line.split(" = ")[0].lstrip(".") for line in out.splitlines() if ": " in line]
    assert names == list(VALUES)[1:]


@pytest.mark.real_server
async def test_net_snmp_hears_nothing_from_a_card_that_hangs() -> None:
    get = need_program("snmpget")
    async with AgentHost() as host:
        address, port = await host.serve(Agent(lambda: VALUES, faults=Faults(hang=True)))
        out = await _run(
            get, "-v2c", "-cpublic", "-r0", "-t0.2", "-m", "", f"{address}:{port}", "1.3.6.1.2.1.1.3.0"
        )
    assert "Timeout" in out


def test_v1_fails_the_whole_request_for_one_missing_object_and_names_its_place() -> None:
    reply = _ask(Agent(lambda: VALUES), ber.GET, ["1.3.6.1.2.1.33.1.2.5.0", "1.3.6.1.2.1.33.1.2.7.0"], 0)
    assert reply is not None
    assert (reply.error_status, reply.error_index) == (ber.NO_SUCH_NAME, 2)


def test_v2c_marks_the_missing_object_and_answers_the_rest() -> None:
    reply = _ask(Agent(lambda: VALUES), ber.GET, ["1.3.6.1.2.1.33.1.2.5.0", "1.3.6.1.2.1.33.1.2.7.0"])
    assert reply is not None
    assert [tag for _, tag, _ in reply.varbinds] == [ber.INTEGER, ber.NO_SUCH_OBJECT]


def test_a_card_that_bears_three_varbinds_says_too_big_to_four() -> None:
    agent = Agent(lambda: VALUES, faults=Faults(too_big_above=3))
    reply = _ask(agent, ber.GET, list(VALUES)[:4])
    assert reply is not None
    assert reply.error_status == ber.TOO_BIG


def test_a_set_request_is_refused() -> None:
    body = ber.encode_int(7) + ber.encode_int(0) * 2
    body += ber.encode_tlv(0x30, ber.encode_varbind("1.3.6.1.2.1.33.1.8.2.0", ber.INTEGER, 0))
    message = ber.encode_message(1, b"public", ber.encode_tlv(0xA3, body))
    reply = Agent(lambda: VALUES).respond(message)
    assert reply is not None
    assert ber.decode_message(reply).pdu.error_status == 17


def test_a_foreign_community_is_not_answered() -> None:
    request = ber.request_template(1, b"guess", ber.pdu_template(ber.GET, ["1.3.6.1.2.1.1.3.0"]))
    assert Agent(lambda: VALUES).respond(request.with_id(ber.FIRST_ID)) is None
