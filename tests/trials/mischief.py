"""Random mischief against the whole service, seeded: what happens to it in years, in minutes; nothing may be lost.

    python -c 'from pathlib import Path; from tests.trials.mischief import mischief; mischief(Path("new"), minutes=5, seed=1)'

Traps in bursts, cards that fall silent, lose replies or tell of faults, floods of datagrams, outages, kills, stops, a
full disk, clocks that are set, clients that get stuck, and those who are told being away. Prints what it does and what
is seen, by the second.
"""

from __future__ import annotations

import heapq
import itertools
import random
import signal
import socket
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from threading import Thread
from typing import Final

from collector.cards.polling.schedule import Cadence
from tests.collector.messaging.sinks import Broker, free_port
from tests.small_disk import SmallDisk, small_disk
from tests.trials.brokers import broker_toml, listening
from tests.trials.people import Desk, desk
from tests.trials.plant import Shape, plant
from tests.trials.restarted import Restarted, set_clock
from tests.trials.tally import Seen, print_seen
from tests.trials.watching import Watching

DISK_MB: Final = 96
DECK: Final = {
    "traps": 4, "silence": 4, "losses": 2, "rows": 3, "flood": 3, "outage": 4, "one unit on battery": 2, "kill": 3,
    "SIGTERM": 2, "SIGINT": 2, "full disk": 2, "clock": 4, "half-sent heads": 2, "slow bodies": 1,
    "answers not taken": 2, "streams not taken": 1, "desk away": 2, "desk refuses": 1, "broker away": 2,
}  # fmt: skip
"""How often each comes before all have."""


@dataclass(kw_only=True)
class Mischief(Restarted):
    """The story: what is done, and when it is undone."""

    disk: SmallDisk
    desk: Desk
    broker: Broker
    trap_port: int
    chance: random.Random
    _undo: list[tuple[float, int, str, Callable[[], None]]] = field(default_factory=list)
    _busy: set[str] = field(default_factory=set)
    _number: Iterator[int] = field(default_factory=itertools.count)
    _deck: list[str] = field(default_factory=list)

    def play(self, until_s: float) -> None:
        """Do one thing after another until the clock's `until_s`, and undo each in its time."""
        next_s = looked_s = time.monotonic()
        while (now_s := time.monotonic()) < until_s:
            if self._undo and self._undo[0][0] <= now_s:
                _, _, name, undo = heapq.heappop(self._undo)
                self._busy.discard(name)
                self.say(f"    over: {name}")
                undo()
            elif next_s <= now_s:
                self.one()
                next_s = time.monotonic() + self.chance.uniform(0.5, 5.0)
            else:
                time.sleep(0.05)
            if now_s - looked_s >= 10.0:
                looked_s = now_s
                self.say(f"        {self.watching.newest()}, {len(self.desk.taken())} at the desk")

    def undo_all(self) -> None:
        """Make everything good again."""
        for _, _, name, undo in sorted(self._undo, key=lambda one: one[:2]):
            self.say(f"    over: {name}")
            undo()
        self._undo.clear()
        self._busy.clear()

    def one(self) -> None:
        """Draw what comes next, and do it."""
        if not self._deck:
            self._deck = [name for name, times in DECK.items() for _ in range(times)]
            self.chance.shuffle(self._deck)
            first = list(DECK)
            self.chance.shuffle(first)
            if not self.tally.done:  # once each at first, so that a short story has all of them
                for name in first:
                    self._deck.remove(name)
                self._deck += first
        name = self._deck.pop()
        self.tally.done[name] += 1
        getattr(self, f"_{name.lower().replace(' ', '_').replace('-', '_')}")(name)

    def _later(self, name: str, low_s: float, high_s: float, undo: Callable[[], None]) -> float:
        lasts_s = self.chance.uniform(low_s, high_s)
        self._busy.add(name)
        heapq.heappush(self._undo, (time.monotonic() + lasts_s, next(self._number), name, undo))
        return lasts_s

    def _some(self, most: int, but: str) -> list[str]:
        free = [unit for unit in self.plant.units if f"{but} {unit}" not in self._busy]
        return self.chance.sample(free, min(len(free), self.chance.randint(1, most)))

    def _traps(self, name: str) -> None:
        for unit in self._some(3, name):
            count = self.chance.choice([1, 5, 20, 60, 120])
            self.say(f"{count} traps at once from {unit}")
            self.plant.trap(unit, count, ("127.0.0.1", self.trap_port))

    def _ill(self, unit: str, what: str, low_s: float, high_s: float, **faults: object) -> None:
        """Have a card answer badly or not at all for a while; until then it is silent by our account."""
        self.watching.silent.add(unit)
        self.plant.faults([unit], **faults)

        def good() -> None:
            self.plant.faults([unit])
            self.watching.unreadable(unit)
            self.watching.silent.discard(unit)

        lasts_s = self._later(f"ill {unit}", low_s, high_s, good)
        self.say(f"{unit} {what} for {lasts_s:.0f} s")

    def _silence(self, _name: str) -> None:
        for unit in self._some(3, "ill"):
            self._ill(unit, "says nothing", 3.0, 60.0, hang=True)

    def _losses(self, _name: str) -> None:
        for unit in self._some(1, "ill"):
            share = self.chance.uniform(0.1, 0.6)
            self._ill(
                unit,
                f"loses {share:.0%} of its replies",
                10.0,
                40.0,
                drop_share=share,
                seed=self.chance.randrange(99),
            )

    def _rows(self, name: str) -> None:
        rows = ("upsAlarmFanFailure", "upsAlarmChargerFailed", "upsAlarmTempBad", "upsAlarmGeneralFault")
        for unit in self._some(2, name):
            row = self.chance.choice(rows)
            lasts_s = self._later(f"{name} {unit}", 5.0, 60.0, partial(self.plant.alarms, [unit]))
            self.say(f"{unit} has {row} in its table for {lasts_s:.0f} s")
            self.plant.alarms([unit], row)

    def _flood(self, _name: str) -> None:
        cards = [self.plant.places[unit][0] for unit in self._some(2, "flood")]
        sources = ["127.99.0.9", *cards]
        lasts_s, seed = self.chance.uniform(2.0, 8.0), self.chance.randrange(2**32)
        self.say(
            f"a flood of datagrams to the port of traps for {lasts_s:.0f} s, as from {', '.join(sources)}"
        )
        Thread(target=_flood, args=(sources, self.trap_port, lasts_s, seed), daemon=True).start()

    def _lost(self, name: str, units: list[str], low_s: float, high_s: float) -> None:
        lasts_s = self._later(name, low_s, high_s, lambda: self.plant.to_mains(units))
        self.say(f"{name}: {', '.join(units)} lose their input for {lasts_s:.0f} s")
        self.plant.to_battery(units)

    def _outage(self, _name: str) -> None:
        site = self.chance.randrange(self.plant.shape.sites)
        if f"outage of site {site}" not in self._busy:
            self._lost(f"outage of site {site}", self.plant.units_of(site), 5.0, 120.0)

    def _one_unit_on_battery(self, _name: str) -> None:
        unit = self.chance.choice(self.plant.units)
        if not any(name.startswith("outage") or name == f"input of {unit}" for name in self._busy):
            self._lost(f"input of {unit}", [unit], 5.0, 40.0)

    def _kill(self, _name: str) -> None:
        self.say("kill -9")
        self.end(signal.SIGKILL)
        self._again()

    def _sigterm(self, _name: str) -> None:
        self._stop(signal.SIGTERM)

    def _sigint(self, _name: str) -> None:
        self._stop(signal.SIGINT)

    def _stop(self, number: signal.Signals) -> None:
        self.say(number.name)
        self.end(number)
        self._again()

    def _again(self) -> None:
        if self.chance.random() < 0.2:
            self.verify()
        time.sleep(self.chance.choice([0.0, 0.0, 1.0, self.chance.uniform(0.0, 15.0)]))
        self.start()

    def _full_disk(self, name: str) -> None:
        if name not in self._busy:
            lasts_s = self._later(name, 5.0, 60.0, self.disk.give_room)
            self.disk.fill()
            self.say(f"the disk is full to the last byte for {lasts_s:.0f} s")

    def _clock(self, _name: str) -> None:
        by_s = self.chance.choice([0, 10, -10, 37, -90, 600, -600, 3600, -3600, 86400, -86400])
        self.say(f"the machine's clock is set to {by_s:+d} s from the true time")
        set_clock(self.folder, by_s)

    def _crowd(self, name: str, what: str, count: int, first: bytes) -> None:
        """Have many clients get stuck."""
        if self.service is None or name in self._busy:
            return
        crowd = []
        for _ in range(count):
            sock = socket.socket()
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
            with suppress(OSError):
                sock.settimeout(2.0)
                sock.connect(("127.0.0.1", self.service.port))
                sock.setblocking(False)
                sock.send(first)
            crowd.append(sock)

        def leave() -> None:
            for sock in crowd:
                sock.close()

        lasts_s = self._later(name, 5.0, 20.0, leave)
        self.say(f"{len(crowd)} clients {what} for {lasts_s:.0f} s")

    def _half_sent_heads(self, name: str) -> None:
        self._crowd(
            name,
            "send half a head",
            self.chance.choice([50, 200, 512]),
            b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n",
        )

    def _slow_bodies(self, name: str) -> None:
        head = b"POST /v1/alarms/none/acknowledge HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/json\r\n"
        self._crowd(name, "announce a body and send none", 205, head + b"Content-Length: 1000\r\n\r\n")

    def _answers_not_taken(self, name: str) -> None:
        many = b"GET /openapi.json HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n" * 20
        self._crowd(name, "ask for much and read nothing", self.chance.choice([50, 150]), many)

    def _streams_not_taken(self, name: str) -> None:
        one = b"GET /v1/live HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"
        self._crowd(name, "open a live stream and read nothing", 60, one)

    def _desk_away(self, _name: str) -> None:
        if "desk away" not in self._busy:
            lasts_s = self._later("desk away", 5.0, 90.0, self.desk.start)
            self.desk.stop()
            self.say(f"the web address is away for {lasts_s:.0f} s")

    def _desk_refuses(self, _name: str) -> None:
        def takes() -> None:
            self.desk.sink.status = 200

        if "desk refuses" not in self._busy:
            lasts_s = self._later("desk refuses", 5.0, 60.0, takes)
            self.desk.sink.status = self.chance.choice([429, 500, 503])
            self.say(f"the web address answers {self.desk.sink.status} for {lasts_s:.0f} s")

    def _broker_away(self, _name: str) -> None:
        if "broker away" not in self._busy:
            lasts_s = self._later("broker away", 5.0, 90.0, self.broker.start)
            self.tally.gone_s.append(time.monotonic())
            self.broker.stop()
            self.say(f"the broker is away for {lasts_s:.0f} s")


def _flood(sources: list[str], port: int, lasts_s: float, seed: int) -> None:
    """Send stray and damaged datagrams: noise, halves of a notification, empty ones, long ones."""
    chance = random.Random(seed)
    whole = bytes.fromhex(
        "302602010104067075626c6963a719020400000001020100020100300b300906052b0601020105000000"
    )
    end_s = time.monotonic() + lasts_s
    socks = []
    for source in sources:
        sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        sock.bind((source, 0))
        socks.append(sock)
    while time.monotonic() < end_s:
        for sock in socks:
            for _ in range(20):
                noise = chance.randbytes(chance.choice([0, 1, 40, 484, 1400, 9000]))
                what = chance.choice([noise, whole[: chance.randrange(len(whole))], whole + noise[:400]])
                with suppress(OSError):
                    sock.sendto(what, ("127.0.0.1", port))
        time.sleep(0.02)
    for sock in socks:
        sock.close()


def mischief(folder: Path, *, minutes: float, seed: int, machine_s: float = 0.0) -> Seen:
    """Play the story for so long, make everything good, and return what came of it.

    `machine_s`: what a machine that many tests share may add to the age of a reading.
    """
    folder.mkdir(exist_ok=True)
    set_clock(folder, 0)
    broker, trap_port, cadence = Broker(folder, lasting=True), free_port(), Cadence()
    with (
        small_disk(folder / "disk", DISK_MB) as disk,
        plant(Shape(sites=2, systems=1, units=3)) as it,
        desk() as night,
        listening(broker, folder, "-V", "5", "-c", "-x", "86400", "-i", "listener") as heard,
    ):
        more = f"[notifications]\nport = {trap_port}\n{night.toml(folder)}{broker_toml(broker, folder)}"
        estate = it.write_estate(folder, more)
        watching = Watching(it, heard, cadence.every_s, cadence.on_battery_every_s, machine_s)
        began_s = time.monotonic()
        story = Mischief(
            folder=folder, data=disk.folder / "data", estate=estate, plant=it, watching=watching, began_s=began_s,
            disk=disk, desk=night, broker=broker, trap_port=trap_port, chance=random.Random(seed),
        )  # fmt: skip
        story.say(f"seed {seed}, {minutes:g} minutes")
        try:
            story.start()
            thread = watching.start(began_s)
            story.play(began_s + 60.0 * minutes)
            story.say("everything is made good again")
            story.undo_all()
            open_ones = story.settle()
            time.sleep(3.0)
            watching.end()
            thread.join(60)
            story.say("SIGTERM, the last")
            story.end(signal.SIGTERM)
            story.verify()
            seen = story.tally.seen(story.data, night, watching, open_ones)
            print_seen(seen)
        finally:
            watching.end()
            story.close()
    return seen
