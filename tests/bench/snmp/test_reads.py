"""How many reads of 47 objects a core-second buys, beside a compiled net-snmp client and pysnmp, in one run.

`pytest tests/bench/snmp/test_reads.py -s`. All clients ask the same responder, which runs in a process of its
own; only the client's processor time counts. The compiled client needs a C compiler and net-snmp's headers
(Debian: libsnmp-dev; or NET_SNMP_INCLUDE set to a folder that holds net-snmp/).

A read is one GET of the 47 objects of a three-phase reading: sysUpTime; battery 7, input 13, output 14, bypass 10,
alarms present, test result.
"""

from __future__ import annotations

import asyncio
import multiprocessing
import os
import shutil
import subprocess
import tracemalloc
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from multiprocessing.connection import Connection
from pathlib import Path
from time import process_time

import pytest

from collector.cards.corrections.learning import Learning
from collector.cards.mib.capability import Capability
from collector.cards.mib.interpretation import CardMeaning
from collector.cards.mib.upsmib import TablePart, standard_places
from collector.cards.mib.wire_values import CardRead, WireState, as_kept
from collector.cards.polling.reader import CardReader
from collector.cards.snmp import ber
from collector.cards.snmp.client import Client, CommunitySecurity, Patience
from collector.cards.snmp.credentials import Community, Version
from collector.cards.snmp.transport import Transport
from collector.simulation.cards.agent import Agent, AgentHost
from collector.storage.history.sqlite import SqliteHistory
from collector.storage.history.store import WireReading
from rules.monitor.live import Live
from rules.monitor.state import Book
from rules.monitor.step import advance
from rules.plant.estate import Card, Estate, FittedUnit, Site, Supply, System, Unit
from rules.plant.reading import Stamp
from tests.collector.cards.corrections.spoilt import moving
from tests.collector.cards.sample_cards import AT, GOOD, oid_of, served

READS = 3000
CARDS = 40
_GROUPS = (
    "upsBattery",
    "upsSeconds",
    "upsEstimated",
    "upsInput",
    "upsOutput",
    "upsBypass",
    "upsAlarmsP",
    "upsTestResultsS",
)
KEYS = [
    key
    for part in (TablePart.LIVE, TablePart.SLOW)
    for key in standard_places(part)
    if key == "sysUpTime" or (key.startswith(_GROUPS) and "NumLines" not in key)
]
OIDS = [oid_of(key) for key in KEYS]


def _stand(pipe: Connection) -> None:
    """Serve as many cards as are read at once, their encoded values made once."""

    async def serve() -> None:
        async with AgentHost() as host:
            places = [await host.serve(_Ready(lambda: served(GOOD))) for _ in range(CARDS)]
            pipe.send(places)
            await asyncio.get_running_loop().run_in_executor(None, pipe.recv)

    asyncio.run(serve())


class _Ready(Agent):
    """An agent that answers the bench's GET from a reply encoded once, so that it is never the slower side."""

    __slots__ = ("_reply",)

    def respond(self, datagram: bytes) -> bytes | None:
        reply: bytes | None = getattr(self, "_reply", None)
        if reply is None or len(datagram) < 800:
            reply = super().respond(datagram)
            if reply is not None and len(datagram) > 800:
                self._reply = reply
            return reply
        at = datagram.index(b"\x02\x04", 12) + 2
        mine = reply.index(b"\x02\x04", 12) + 2
        return reply[:mine] + datagram[at : at + 4] + reply[mine + 4 :]


@pytest.fixture(scope="module")
def places() -> Iterator[list[tuple[str, int]]]:
    ours, theirs = multiprocessing.get_context("spawn").Pipe()
    process = multiprocessing.get_context("spawn").Process(target=_stand, args=(theirs,), daemon=True)
    process.start()
    yield ours.recv()
    ours.send("stop")
    process.join(5)


def _client(transport: Transport, place: tuple[str, int]) -> Client:
    community = Community(b"public")
    return Client(transport, *place, CommunitySecurity(community), Version.V2C, Patience(2.0, 2))


def compiled(tmp_path: Path, place: tuple[str, int]) -> float:
    """Return reads per core-second of the compiled client; skips where it cannot be built."""
    gcc = shutil.which("gcc")
    include = os.environ.get("NET_SNMP_INCLUDE", "/usr/include")
    if gcc is None or not (Path(include) / "net-snmp").is_dir():
        pytest.skip("needs gcc and net-snmp's headers")
    source, program = Path(__file__).with_name("net_snmp_reads.c"), tmp_path / "reads"
    subprocess.run([gcc, "-O2", "-o", program, source, f"-I{include}", "-l:libnetsnmp.so.40"], check=True)
    command = [str(program), f"{place[0]}:{place[1]}", str(READS), *OIDS]
    out = subprocess.run(command, check=True, capture_output=True, text=True).stdout
    assert int(out.split()[2]) == READS * len(OIDS)
    return READS / float(out.split()[0])


async def raw(places: list[tuple[str, int]]) -> float:
    """Return our reads per core-second, with as many cards under way at once as there are."""
    async with Transport() as transport:
        clients = [_client(transport, place) for place in places]

        async def read(client: Client, times: int) -> None:
            for _ in range(times):
                pdu = await client.ask(ber.GET, OIDS)
                assert len(pdu.varbinds) == len(OIDS)

        await asyncio.gather(*(read(client, 2) for client in clients))
        began = process_time()
        await asyncio.gather(*(read(client, READS // len(clients)) for client in clients))
        return READS // len(clients) * len(clients) / (process_time() - began)


def _estate(count: int) -> Estate:
    fitted = (FittedUnit(date(2020, 1, 1), None, "FW 30", 30000.0, 27000.0),)
    units = {f"U{n}": Unit(f"U{n}", f"S{n // 2}", 3, (1, 2, 3), fitted) for n in range(count)}
    return Estate(
        sites={"S": Site("S", "Site", "UTC")},
        supplies={"M": Supply("M", "S")},
        generators={},
        systems={f"S{n}": System(f"S{n}", f"S{n}", "S", "M") for n in range((count + 1) // 2)},
        units=units,
        cards={f"C{n}": Card(f"C{n}", (f"U{n}",)) for n in range(count)},
        banks={},
    )


async def whole(places: list[tuple[str, int]], folder: Path) -> tuple[float, dict[str, float]]:
    """Return reads per core-second of the full path: read, learn and decode, watch, store; and its parts."""
    estate = _estate(len(places))
    learning, watch = Learning(estate), Live(Book(estate))
    parts = dict.fromkeys(("read", "decode with doubt", "watch", "store"), 0.0)
    everything = Capability(dict(zip(KEYS, OIDS, strict=True)))
    truth = [moving()(poll).raw() for poll in range(64)]
    async with (
        Transport() as transport,
        SqliteHistory(folder / "history", CardMeaning(learning.lookup)) as history,
    ):
        readers = [
            CardReader.of(transport, *place, Community(b"public"), Patience(2.0, 2)) for place in places
        ]
        for reader in readers:
            reader.capability, reader.size = everything, 64
        states = [WireState() for _ in readers]
        began = process_time()
        for turn in range(READS // len(readers)):
            last = process_time()
            read = await asyncio.gather(
                *(reader.read(frozenset({TablePart.LIVE, TablePart.SLOW})) for reader in readers)
            )
            now = process_time()
            parts["read"] += now - last
            at = AT + timedelta(seconds=5 * turn)
            records, readings = [], []
            for n, wire in enumerate(read):
                # The responder's values stand still; values that move are put in their place, at no cost to speak of.
                fresh = CardRead(
                    wire.parts, {**wire.values, **truth[(turn + n) % 64]}, wire.types, (), (), {}, wire.cost
                )
                states[n] = states[n].after(fresh, at)
                stamp = Stamp(at, 5.0 * turn, "start")
                readings.append(learning.interpret(f"C{n}", f"U{n}", stamp, states[n]))
                records.append(
                    WireReading(f"U{n}", stamp, 5.0, learning.corrections_id(f"C{n}"), as_kept(fresh))
                )
            last, now = now, process_time()
            parts["decode with doubt"] += now - last
            for reading in readings:
                advance(watch, reading)
            last, now = now, process_time()
            parts["watch"] += now - last
            await history.append(records)
            parts["store"] += process_time() - now
        total = process_time() - began
    count = READS // len(readers) * len(readers)
    return count / total, {name: 1e6 * cost / count for name, cost in parts.items()}


async def by_pysnmp(place: tuple[str, int], reads: int) -> float:
    """Return pysnmp's reads per core-second, its objects made once and its MIB look-ups off."""
    from pysnmp.hlapi.v1arch import asyncio as hlapi

    dispatcher = hlapi.SnmpDispatcher()
    target = await hlapi.UdpTransportTarget.create(place)
    objects = [hlapi.ObjectType(hlapi.ObjectIdentity(oid)) for oid in OIDS]
    began = process_time()
    for _ in range(reads):
        error, status, _, found = await hlapi.get_cmd(
            dispatcher, hlapi.CommunityData("public"), target, *objects, lookupMib=False
        )
        assert not error
        assert not status
        assert len(found) == len(OIDS)
    spent = process_time() - began
    dispatcher.transport_dispatcher.close_dispatcher()
    return reads / spent


async def test_reads_per_core_second(places: list[tuple[str, int]], tmp_path: Path) -> None:
    assert len(OIDS) == 47
    theirs = compiled(tmp_path, places[0])
    ours = await raw(places)
    full, parts = await whole(places, tmp_path)
    library = await by_pysnmp(places[0], 60)
    print(f"\nreads of {len(OIDS)} objects per core-second ({datetime.now(UTC):%Y-%m-%d})")
    print(f"  net-snmp, compiled       {theirs:9.0f}")
    print(f"  ours, raw                {ours:9.0f}   1/{theirs / ours:.1f} of it")
    print(f"  ours, the full path      {full:9.0f}   1/{theirs / full:.1f} of it")
    print(f"  pysnmp                   {library:9.0f}   1/{theirs / library:.0f} of it")
    print(
        "  microseconds of the full path: " + ", ".join(f"{name} {cost:.0f}" for name, cost in parts.items())
    )
    assert ours >= theirs / 4
    assert full >= theirs / 40


def test_memory_per_unit() -> None:
    """At a thousand units: reader, state, knowledge and the last reading of each."""
    count = 1000
    estate = _estate(count)
    tracemalloc.start()
    before = tracemalloc.get_traced_memory()[0]
    learning = Learning(estate)
    transport = Transport()
    readers, states, readings = [], [], []
    everything = Capability(dict(zip(KEYS, OIDS, strict=True)))
    for n in range(count):
        reader = CardReader.of(transport, "192.0.2.1", 161, Community(b"public"))
        reader.capability = everything
        readers.append(reader)
        state = WireState().after(CardRead(frozenset(TablePart), moving(seed=n)(0).raw(), {}, ()), AT)
        for poll in range(3):
            at = AT + timedelta(seconds=5 * poll)
            reading = learning.interpret(f"C{n}", f"U{n}", Stamp(at, 5.0 * poll, "start"), state)
        states.append(state)
        readings.append(reading)
    used = tracemalloc.get_traced_memory()[0] - before
    tracemalloc.stop()
    print(f"\n{used / count / 1024:.1f} KB per unit at {count} units")
    assert used / count < 60 * 1024
