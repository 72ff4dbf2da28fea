"""Plant of any size that answers SNMP on loopback from a process of its own: to be flooded, hung, failed and lied with.

    with plant(Shape(sites=1, systems=2, units=3)) as it:      # two systems of three units at one site
        estate = it.write_estate(folder, extra="")             # an estate file with nothing but what must be said
        it.to_battery(it.units_of(0))                          # the mains of the first site fails
        it.trap("s0a-1", count=20, to=("127.0.0.1", 1162))
        it.faults(["s0a-1"], hang=True)

Ids: site `s0`, `s1` ...; systems `s0a`, `s0b` ...; units `s0a-1` ...; a unit's card is `c-s0a-1`, its bank `b-s0a-1`.
Each card has a loopback address to itself, as notifications need it. Values move a little from second to second, as
those of a real card do; on battery the volts fall and the seconds count.
"""

from __future__ import annotations

import asyncio
import multiprocessing
import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from pathlib import Path
from time import monotonic
from typing import Any, Final

from collector.cards.mib.upsmib import NOTIFICATIONS_ROOT, SYS_UP_TIME
from collector.cards.snmp import ber
from collector.simulation.cards.agent import Agent, AgentHost, Faults, Typed
from tests.collector.cards.sample_cards import GOOD, oid_of, served

ON_BATTERY_ALARMS: Final = ("upsAlarmOnBattery", "upsAlarmInputBad", "upsAlarmBypassBad")
_TRAP_OID: Final = "1.3.6.1.6.3.1.1.4.1.0"
_ADDRESSES: Final = 250


@dataclass(frozen=True)
class Shape:
    """How much plant: `systems` of `units` each at every one of `sites`; each site has one supply and one generator."""

    sites: int = 1
    systems: int = 1
    units: int = 2
    spare_units: int = 1
    table: bool = True
    """Whether the estate file gives the maker's table of the banks."""
    bank_from: str = "2024-06-01"

    def names(self) -> list[list[list[str]]]:
        """Return the units by site and system."""
        return [
            [[f"s{s}{chr(97 + y)}-{u + 1}" for u in range(self.units)] for y in range(self.systems)]
            for s in range(self.sites)
        ]


@dataclass(slots=True)
class _Card:
    """What one card holds: its own steady values, what a trial put over them, and whether it is on battery."""

    number: int
    base: dict[str, Typed]
    over: dict[str, Typed] = field(default_factory=dict)
    absent: set[str] = field(default_factory=set)
    alarms: tuple[str, ...] = ()
    since_s: float | None = None
    second: int = -1
    said: dict[str, Typed] = field(default_factory=dict)

    def values(self) -> Mapping[str, Typed]:
        now_s = monotonic()
        if int(now_s) != self.second:
            self.second = int(now_s)
            self.said = self._at(now_s)
        return self.said

    def _at(self, now_s: float) -> dict[str, Typed]:
        moved: dict[str, Any] = {"sysUpTime": int(now_s * 100) % 2**32, "upsAlarmsPresent": len(self.alarms)}
        for line in (1, 2, 3):
            wobble = (self.second * 7 + self.number * 13 + line * 5) % 23 - 11
            moved[f"upsOutputPower.{line}"] = 5100 + (self.number * 37 + line * 11) % 400 + 4 * wobble
            moved[f"upsInputVoltage.{line}"] = 230 + line + wobble // 6
        if self.since_s is not None:
            passed_s = now_s - self.since_s
            moved |= {
                "upsOutputSource": 5, "upsSecondsOnBattery": max(1, int(passed_s)),
                "upsBatteryCurrent": 330, "upsBatteryVoltage": 4900 - int(passed_s / 4),
                "upsEstimatedChargeRemaining": max(0, 100 - int(passed_s / 30)),
                "upsEstimatedMinutesRemaining": max(0, 50 - int(passed_s / 60)), "upsInputNumLines": 3,
            }  # fmt: skip
            for line in (1, 2, 3):
                moved |= {f"upsInputVoltage.{line}": 0, f"upsBypassVoltage.{line}": 0}
                moved |= {f"upsInputTruePower.{line}": 0, f"upsInputCurrent.{line}": 0}
        rows = served({}, self.alarms) if self.alarms else {}
        said = {**self.base, **rows}
        for key, value in moved.items():
            oid = oid_of(key)
            said[oid] = (self.base[oid][0], value)
        shown = {**said, **self.over}
        return {oid: value for oid, value in shown.items() if oid not in self.absent}


class _Stand:
    """The process behind the plant: all cards on one loop, doing what the pipe says."""

    def __init__(self, units: Sequence[str], pipe: Connection) -> None:
        self._pipe = pipe
        self._cards = {unit: _Card(number, dict(served(GOOD))) for number, unit in enumerate(units)}
        self._agents = {
            unit: Agent(card.values, communities={b"public"}) for unit, card in self._cards.items()
        }
        self._places: dict[str, tuple[str, int]] = {}
        self._trapped = 0

    async def run(self) -> None:
        async with AgentHost() as host:
            port = 0
            for number, (unit, agent) in enumerate(self._agents.items()):
                address = f"127.{30 + number // _ADDRESSES}.0.{number % _ADDRESSES + 1}"
                try:  # all at one port, as a site's cards are
                    self._places[unit] = await host.serve(agent, address, port)
                except OSError:
                    self._places[unit] = await host.serve(agent, address, 0)
                port = self._places[unit][1]
            self._pipe.send(self._places)
            while True:
                order = await asyncio.get_running_loop().run_in_executor(None, self._pipe.recv)
                if order is None:
                    return
                what, units, given = order
                self._pipe.send(await getattr(self, f"_{what}")(host, units, given))

    async def _battery(self, _host: AgentHost, units: Sequence[str], _given: Any) -> None:
        for unit in units:
            card = self._cards[unit]
            card.since_s, card.alarms, card.second = monotonic(), ON_BATTERY_ALARMS, -1

    async def _mains(self, _host: AgentHost, units: Sequence[str], _given: Any) -> None:
        for unit in units:
            card = self._cards[unit]
            card.since_s, card.alarms, card.second = None, (), -1

    async def _say(self, _host: AgentHost, units: Sequence[str], given: Mapping[str, Any]) -> None:
        for unit in units:
            card = self._cards[unit]
            card.over |= {oid_of(key): (card.base[oid_of(key)][0], value) for key, value in given.items()}
            card.second = -1

    async def _leave_out(self, _host: AgentHost, units: Sequence[str], given: Sequence[str]) -> None:
        for unit in units:
            self._cards[unit].absent, self._cards[unit].second = {oid_of(key) for key in given}, -1

    async def _alarms(self, _host: AgentHost, units: Sequence[str], given: tuple[str, ...]) -> None:
        for unit in units:
            self._cards[unit].alarms, self._cards[unit].second = given, -1

    async def _faults(self, _host: AgentHost, units: Sequence[str], given: Mapping[str, Any]) -> None:
        for unit in units:
            self._agents[unit].faults = Faults(**given)

    async def _trap(self, host: AgentHost, units: Sequence[str], given: tuple[int, tuple[str, int]]) -> None:
        count, to = given
        for unit in units:
            for _ in range(count):
                self._trapped += 1
                host.send(self._places[unit], _trap(self._trapped), to)

    async def _requests(self, _host: AgentHost, units: Sequence[str], _given: Any) -> dict[str, int]:
        return {unit: self._agents[unit].requests for unit in units}


def _trap(number: int) -> bytes:
    """Return upsTrapOnBattery (RFC 1628, 4) as SNMPv2c sends it."""
    varbinds = (
        (SYS_UP_TIME, ber.TIME_TICKS, number),
        (_TRAP_OID, ber.OBJECT_ID, f"{NOTIFICATIONS_ROOT}.1"),
        (oid_of("upsEstimatedMinutesRemaining"), ber.INTEGER, 50),
        (oid_of("upsSecondsOnBattery"), ber.INTEGER, 1),
        (oid_of("upsConfigLowBattTime"), ber.INTEGER, 5),
    )
    encoded = [ber.encode_varbind(*item) for item in varbinds]
    pdu = ber.encode_response_pdu(ber.FIRST_ID + number, encoded, pdu_type=ber.TRAP_V2)
    return ber.encode_message(ber.VERSION_2C, b"public", pdu)


def _stand(units: Sequence[str], pipe: Connection) -> None:
    asyncio.run(_Stand(units, pipe).run())


class Plant:
    """Running cards, and what a trial may do with them. See the module."""

    def __init__(
        self, shape: Shape, pipe: Connection, places: Mapping[str, tuple[str, int]], pid: int
    ) -> None:
        self.shape = shape
        self.places = places
        self.pid = pid
        self._pipe = pipe
        self._one_at_a_time = threading.Lock()

    @property
    def units(self) -> list[str]:
        """Return every unit."""
        return list(self.places)

    def units_of(self, site: int) -> list[str]:
        """Return the units of one site."""
        return [unit for system in self.shape.names()[site] for unit in system]

    def to_battery(self, units: Sequence[str]) -> None:
        """Take the mains from these units."""
        self._order("battery", units)

    def to_mains(self, units: Sequence[str]) -> None:
        """Give the mains back to these units."""
        self._order("mains", units)

    def say(self, units: Sequence[str], **values: int | bytes) -> None:
        """Have cards say fixed values from now on, by the names of RFC 1628; `upsOutputPower_1` is line 1's."""
        self._order("say", units, {name.replace("_", "."): value for name, value in values.items()})

    def leave_out(self, units: Sequence[str], *names: str) -> None:
        """Have cards leave objects out, by the names of RFC 1628; `upsOutputPower_1` is line 1's. None: they have all again."""
        self._order("leave_out", units, [name.replace("_", ".") for name in names])

    def alarms(self, units: Sequence[str], *names: str) -> None:
        """Set the rows of the cards' alarm tables (`upsAlarmFanFailure`)."""
        self._order("alarms", units, names)

    def faults(self, units: Sequence[str], **given: Any) -> None:
        """Set what is wrong with cards (`collector.simulation.cards.agent.Faults`); nothing given: they are good again."""
        self._order("faults", units, given)

    def trap(self, unit: str, count: int, to: tuple[str, int]) -> None:
        """Send so many notifications at once from a card's own address."""
        self._order("trap", [unit], (count, to))

    def requests(self) -> dict[str, int]:
        """Return how many requests reached each card so far."""
        counted: dict[str, int] = self._order("requests", self.units)
        return counted

    def write_estate(self, folder: Path, extra: str = "") -> Path:
        """Write the estate file of the plant and its secrets, all settings at their defaults; `extra` is TOML."""
        shape, parts = self.shape, []
        for s, systems in enumerate(shape.names()):
            parts.append(
                f'[[site]]\nid = "s{s}"\nname = "Site {s}"\ntime_zone = "Europe/Lisbon"\n'
                f'[[generator]]\nid = "g{s}"\nrating_w = {max(60, 20 * shape.systems * shape.units)}000\n'
                f'[[supply]]\nid = "m{s}"\nsite = "s{s}"\ngenerator = "g{s}"\n'
            )
            for y, units in enumerate(systems):
                system = f"s{s}{chr(97 + y)}"
                parts.append(
                    f'[[system]]\nid = "{system}"\nname = "Room {system}"\nsite = "s{s}"\nsupply = "m{s}"\n'
                    f"spare_units = {min(shape.spare_units, shape.units - 1)}\n"
                    'requirements = [{ id = "set", for = "generator_start" }]\n'
                )
                parts += [self._unit_text(system, unit) for unit in units]
        first = "s0a"
        watch = f'[watch]\nbox_fed_by = "{first}"\nswitches_fed_by = "{first}"\nway_out_fed_by = "{first}"\n'
        secrets = folder / "secrets.toml"
        if not secrets.exists():
            secrets.write_text('[cards]\ncommunity = "public"\n', "utf-8")
        secrets.chmod(0o600)
        file = folder / "estate.toml"
        file.write_text("".join(parts) + watch + extra, "utf-8")
        return file

    def _unit_text(self, system: str, unit: str) -> str:
        address, port = self.places[unit]
        table = "constant_power = [[5, 132.3], [10, 82.1], [15, 60.4], [30, 36.3], [60, 22.3], [180, 9.7]]\n"
        return (
            f'[[unit]]\nid = "{unit}"\nsystem = "{system}"\noutput_lines = 3\n'
            '[[unit.fitted]]\nfrom = 2024-06-01\nmodel = "FW 30"\nrating_va = 30000\nrating_w = 27000\n'
            f'[[card]]\nid = "c-{unit}"\ntarget = "snmp://{address}:{port}"\nsecret = "cards"\ncovers = ["{unit}"]\n'
            f'[[bank]]\nid = "b-{unit}"\nfeeds = ["{unit}"]\ncells_in_series = 240\n'
            f'[[bank.fitted]]\nfrom = {self.shape.bank_from}\ntype = "Fern 18"\nblocks = 40\nrated_capacity_ah = 18.0\n'
            "rated_hours = 20\nend_voltage_per_cell_v = 1.67\ndesign_life_years = 10\n"
            f"{table if self.shape.table else ''}"
        )

    def _order(self, what: str, units: Sequence[str], given: Any = None) -> Any:
        with self._one_at_a_time:
            self._pipe.send((what, list(units), given))
            return self._pipe.recv()


@contextmanager
def plant(shape: Shape | None = None) -> Iterator[Plant]:
    """Let the cards of a plant answer until the block ends."""
    shape = shape or Shape()
    units = [unit for systems in shape.names() for system in systems for unit in system]
    spawned = multiprocessing.get_context("spawn")
    ours, theirs = spawned.Pipe()
    process = spawned.Process(target=_stand, args=(units, theirs), daemon=True)
    process.start()
    try:
        yield Plant(shape, ours, ours.recv(), process.pid or 0)
        ours.send(None)
        process.join(5)
    finally:
        if process.is_alive():
            process.kill()
            process.join()
