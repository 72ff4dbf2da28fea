"""How many reads a second a thousand simulated cards in one process answer.

`pytest tests/bench/test_simulated_agents.py -s`. The cards stand in a process of their own, each on its
own port; the reader here keeps 200 requests under way over one socket and only counts replies, so its
cost is small but shares the machine. A read is a GET of 47 objects (sysUpTime, the live objects of a
three-phase unit and its bypass), as one request.
"""

from __future__ import annotations

import asyncio
import multiprocessing
import select
import socket
from multiprocessing.connection import Connection
from time import monotonic, process_time

import pytest

from collector.cards.mib import upsmib
from collector.cards.snmp import ber
from collector.simulation.cards import card as voice
from collector.simulation.cards.agent import Agent, AgentHost
from collector.simulation.cards.card import Meters, Typed
from collector.simulation.cards.faulty_cards import told
from collector.simulation.plant.charging import new_bank
from collector.simulation.plant.supply import FeedSource
from collector.simulation.plant.unit import Feed, Mode, SimUnit
from collector.simulation.scenario.demonstration import UNITS, SimScenario

CARDS = 1000
SECONDS = 5.0
UNDER_WAY = 200
OBJECTS_A_READ = 47


def values_of(number: int) -> dict[str, Typed]:
    """Return what one card holds; each has instruments and a load of its own."""
    plant = SimScenario.unit(UNITS[number % 5])
    watts = tuple(2000.0 + (number * 37 + line * 211) % 2500 for line in range(3))
    state = SimUnit(
        Mode.NORMAL, new_bank(plant.bank), watts=watts, va=tuple(w / 0.93 for w in watts), input_w=9000.0
    )
    at = voice.moment_of(plant, state, Feed(FeedSource.MAINS, 231.0, 50.0), uptime_s=1000.0 + number)
    meters = Meters.of(1, str(number))
    live = voice.first_row(voice.live_columns(plant, meters, at))
    slow = voice.first_row(voice.slow_columns(plant, at))
    return told(voice.typed({**voice.nameplate(plant), **live, **slow}), ())


def stand(pipe: Connection) -> None:
    """Serve a thousand cards until told to stop, then say how much processor time that took."""

    async def serve() -> None:
        async with AgentHost() as host:
            ports = []
            for number in range(CARDS):
                values = values_of(number)
                _, port = await host.serve(Agent(lambda values=values: values))  # type: ignore[misc]
                ports.append(port)
            pipe.send(ports)
            await asyncio.to_thread(pipe.recv)
            began = process_time()
            await asyncio.to_thread(pipe.recv)
            pipe.send(process_time() - began)

    asyncio.run(serve())


def test_a_thousand_cards_answer_five_thousand_reads_a_second() -> None:
    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe()
    process = context.Process(target=stand, args=(theirs,), daemon=True)
    process.start()
    ports: list[int] = ours.recv()
    live = list(upsmib.standard_places(upsmib.TablePart.LIVE).values())
    slow = list(upsmib.standard_places(upsmib.TablePart.SLOW).values())
    oids = (live + slow)[:OBJECTS_A_READ]
    request = ber.request_template(ber.VERSION_2C, b"public", ber.pdu_template(ber.GET, oids)).with_id(
        ber.FIRST_ID + 1
    )
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4_000_000)
        sock.setblocking(False)
        ours.send("begin")
        began, answered, sent, wrong = monotonic(), 0, 0, 0
        while (now := monotonic()) - began < SECONDS:
            while sent - answered < UNDER_WAY:
                sock.sendto(request, ("127.0.0.1", ports[sent % CARDS]))
                sent += 1
            if not select.select([sock], [], [], 1.0)[0]:
                sent = answered  # something was lost: start the window afresh
                continue
            try:
                while True:
                    reply = sock.recv(2048)
                    answered += 1
                    wrong += len(reply) < 500
            except BlockingIOError:
                pass
        took_s = now - began
    ours.send("end")
    cpu_s = ours.recv()
    process.join(5.0)
    rate = answered / took_s
    print(
        f"\n{CARDS} cards, GET of {len(oids)} objects: {rate:,.0f} reads/s by the clock, "
        f"{answered / cpu_s:,.0f} a second of the cards' processor time"
    )
    assert wrong == 0
    assert rate >= 5000.0


if __name__ == "__main__":
    pytest.main([__file__, "-s"])
