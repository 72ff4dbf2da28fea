"""A thousand cards, one in five of them dead and the rest slow: live reads start within a second of due.

`pytest tests/bench/snmp/test_cadence.py -s` (a minute and a half). The cards answer after 5 to 400 ms; the dead ones
never do. Agents run in a process of their own; all is on one machine.
"""

from __future__ import annotations

import asyncio
import multiprocessing
from collections import deque
from multiprocessing.connection import Connection
from random import Random
from time import process_time

from collector.cards.polling.poller import Answer, Poller
from collector.cards.polling.reader import CardReader
from collector.cards.polling.schedule import Cadence
from collector.cards.snmp.client import Patience
from collector.cards.snmp.credentials import Community
from collector.cards.snmp.transport import Transport
from collector.process.clock import SystemClock
from collector.simulation.cards.agent import Agent, AgentHost, Faults
from tests.collector.cards.sample_cards import GOOD, served

CARDS, DEAD_SHARE, SECONDS = 1000, 0.2, 75.0
CADENCE = Cadence(every_s=5.0, on_battery_every_s=2.0, slow_every_s=60.0, nameplate_every_s=86400.0)


def _stand(pipe: Connection) -> None:
    async def serve() -> None:
        dice, table = Random(7), served(GOOD)
        async with AgentHost() as host:
            places = []
            for number in range(CARDS):
                dead = number < CARDS * DEAD_SHARE
                faults = Faults(hang=dead, delay_s=0.0 if dead else dice.uniform(0.005, 0.4))
                places.append(await host.serve(Agent(lambda: table, faults=faults)))
            pipe.send(places)
            await asyncio.get_running_loop().run_in_executor(None, pipe.recv)

    asyncio.run(serve())


class _Out(asyncio.Queue[Answer]):
    """Takes answers and keeps what the bench asks about."""

    def __init__(self) -> None:
        super().__init__()
        self.kept: deque[tuple[str, float, bool]] = deque()

    async def put(self, item: Answer) -> None:
        self.kept.append((item.card, item.late_s, item.wire is not None))


async def test_reads_start_within_a_second_of_due() -> None:
    ours, theirs = multiprocessing.get_context("spawn").Pipe()
    process = multiprocessing.get_context("spawn").Process(target=_stand, args=(theirs,), daemon=True)
    process.start()
    places: list[tuple[str, int]] = await asyncio.get_running_loop().run_in_executor(None, ours.recv)
    out, clock = _Out(), SystemClock()
    async with Transport() as transport:
        pollers = [
            Poller(
                f"card-{n}",
                CardReader.of(transport, place[0], place[1], Community(b"public"), Patience(2.0, 1)),
                CADENCE,
                clock,
                out,
            )
            for n, place in enumerate(places)
        ]
        began = process_time()
        tasks = [asyncio.create_task(poller.run()) for poller in pollers]
        await asyncio.sleep(SECONDS)
        spent = process_time() - began
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
    ours.send("stop")
    process.join(10)
    dead = {f"card-{n}" for n in range(int(CARDS * DEAD_SHARE))}
    live = [late for card, late, _ in out.kept if card not in dead]
    answered = sum(good for _, _, good in out.kept)
    late = sum(one > 1.0 for one in live)
    print(f"\n{len(live)} reads of living cards, {answered} answered, {late} started more than 1 s late")
    print(f"{100 * (1 - late / len(live)):.2f} % in time; {100 * spent / SECONDS:.0f} % of a core")
    assert late <= 0.01 * len(live)
