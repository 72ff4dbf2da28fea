"""The simulated estate: its cards answer SNMP on loopback while the script plays. Use it so::

    async with SimulatedEstate(folder, seed=1, clock=clock) as estate:
        configuration = load(estate.estate_file)
        ...
        estate.truth().hold_up("brackmere").seconds

The physics goes in whole seconds of the clock, however the clock runs and whoever asks, so a run is the
same for the same seed and script. The day the estate was first made is kept in the folder: what was
installed when, and the past, stay as they were over restarts. So is how far the demonstration's own script
was played: it goes on from there, with the plant at rest.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Final, Self

import numpy as np

from collector.process.clock import Clock, SystemClock
from collector.simulation.cards import card as voice
from collector.simulation.cards.agent import Agent, AgentHost, Faults, Typed
from collector.simulation.cards.card import AlarmRows, Meters
from collector.simulation.cards.faulty_cards import Lie, spoken
from collector.simulation.cards.notices import Notices
from collector.simulation.past import episodes
from collector.simulation.past import generate as past
from collector.simulation.past.downtime_gap import write_meanwhile
from collector.simulation.past.idle_readings import boot_s
from collector.simulation.plant import world as worlds
from collector.simulation.plant.supply import FeedSource, SupplyState
from collector.simulation.plant.truth import TrueOutage, Truth
from collector.simulation.plant.unit import Mode
from collector.simulation.plant.world import WorldState
from collector.simulation.scenario.demonstration import COMMUNITY, UNITS, Installed, SimScenario
from collector.simulation.scenario.director import (
    Behaviour,
    CardResets,
    Cue,
    DirectorStage,
    Event,
    MainsFails,
    Script,
    played,
)
from collector.simulation.scenario.script import demonstration, taken_up
from collector.storage.history.store import HistoryStore
from collector.storage.ledger import Ledger
from rules.plant.estate import Estate
from rules.system.forecast_score import Outcome

TICK_S: Final = 1.0
MADE: Final = "scenario.json"
PLAYED: Final = "played.json"
_PORT: Final = 16100


@dataclass
class _Card:
    """One card: who it speaks for, where it answers, and what it last said."""

    installed: Installed
    meters: Meters
    agent: Agent
    notices: Notices
    place: tuple[str, int] = ("", 0)
    rows: AlarmRows = field(default_factory=lambda: AlarmRows({}))
    said_at_s: float = -math.inf
    said: Mapping[str, Typed] = field(default_factory=dict)


def _target(place: tuple[str, int]) -> str:
    return f"snmp://{place[0]}:{place[1]}"


def _scenario(folder: Path, seed: int, now: datetime) -> SimScenario:
    """Return the folder's scenario, made on its first day."""
    made = folder / MADE
    if made.exists():
        kept = json.loads(made.read_text())
        return SimScenario(int(kept["seed"]), datetime.fromisoformat(kept["now"]))
    whole = now.replace(microsecond=0)
    made.write_text(json.dumps({"seed": seed, "now": whole.isoformat()}) + "\n")
    return SimScenario(seed, whole)


def _played(folder: Path) -> int:
    """Return how many cues of the demonstration's script were played in this folder before."""
    kept = folder / PLAYED
    return int(json.loads(kept.read_text())["cues"]) if kept.exists() else 0


class SimulatedEstate:
    """The demonstration's plant and cards, as an async context manager.

    `cues` is the script in order of time, laid against the seconds since entering; where left out, the
    demonstration's, from where it was stopped in this folder.
    `lies` says how each card breaks the standard; the scenario's own where left out. `notify`: where the
    cards send their notifications; nowhere where left out.
    """

    def __init__(
        self,
        folder: Path,
        *,
        seed: int = 1,
        clock: Clock | None = None,
        cues: Iterable[Cue] | None = None,
        lies: Mapping[str, tuple[Lie, ...]] | None = None,
        notify: tuple[str, int] | None = None,
    ) -> None:
        self._clock = SystemClock() if clock is None else clock
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        self.folder = folder
        self.scenario = _scenario(folder, seed, self._clock.now())
        self._plant = self.scenario.plant
        self._cues = None if cues is None else tuple(cues)
        self._played_before = _played(folder) if cues is None else 0
        self._host = AgentHost()
        self._notify = notify
        self._ticking: asyncio.Task[None] | None = None
        self._lies = {u.card: u.lies if lies is None else lies.get(u.card, ()) for u in UNITS}
        self._begin()
        self._cards = {u.card: self._card(u) for u in UNITS}

    @property
    def estate_file(self) -> Path:
        """Return the estate file that describes this estate; there once the context is entered."""
        return self.folder / "estate.toml"

    @property
    def outages(self) -> tuple[TrueOutage, ...]:
        """Return every outage of every system so far, oldest first."""
        return tuple(self._outages)

    def outcomes(self) -> tuple[Outcome, ...]:
        """Return every outage with its true hold-up, for the score. A tenth of a second for each new one."""
        return tuple(Outcome(o.system, o.began, o.hold_up.seconds) for o in self._outages)

    @property
    def seconds(self) -> float:
        """Return how far the play has come, in seconds since the start."""
        return self._stage.world.t_s - self._epoch_s

    def truth(self) -> Truth:
        """Return the estate as it is at this moment."""
        self._advance()
        return Truth(self._plant, self._stage.world)

    def target_of(self, card: str) -> str:
        """Return where a card answers, as `snmp://HOST:PORT`."""
        return _target(self._cards[card].place)

    def agent_of(self, card: str) -> Agent:
        """Return a card's agent, for tests that want faults of its own."""
        return self._cards[card].agent

    def play(self, event: Event) -> None:
        """Let something happen now, beside the script."""
        self._advance()
        self._happen(event)

    async def write_past(
        self,
        store: HistoryStore,
        *,
        ledger: Ledger | None = None,
        estate: Estate | None = None,
        progress: past.Progress | None = None,
    ) -> bool:
        """Write what is missing of the estate's past; return whether it was anything.

        That is two years at first, and later the time in which it was stopped. Readings go through the
        store; with a `ledger` and the `estate` as loaded from the estate file, the discharges become
        evidence there. The play begins anew when it has been written.
        """
        written = await past.write_past(
            store, self.folder, self.scenario, progress=progress, ledger=ledger, estate=estate
        )
        if not written:
            bads = {name: self._bads_before(name) for name in self._plant.systems}
            now = self._clock.now()
            written = await write_meanwhile(store, self.scenario, now, bads=bads, progress=progress)
        if written:
            self._begin()
        return written

    def _begin(self) -> None:
        """Raise the curtain: the script's seconds count from now."""
        self._cues_played = self._played_before
        cues = demonstration(self.scenario.seed) if self._cues is None else iter(self._cues)
        play = taken_up(cues, self._cues_played)
        self._script, self._failures_before = Script(play.cues), play.failures
        self._outages: list[TrueOutage] = []
        self._began_s = self._clock.monotonic_s()
        # Whole seconds of the epoch, so that a step never depends on when the process started.
        self._epoch_s = float(math.floor(self._clock.now().timestamp()))
        self._stage = self._first_stage()
        for event in play.lasting:
            self._stage = played(self._plant, self._stage, event)

    async def __aenter__(self) -> Self:
        self._begin()
        for number, card in enumerate(self._cards.values()):
            card.place = await self._serve(card.agent, number)
        secrets = self.folder / "secrets.toml"
        secrets.touch(mode=0o600)
        secrets.chmod(0o600)
        secrets.write_text(self.scenario.secrets_text())
        targets = {name: _target(card.place) for name, card in self._cards.items()}
        text = self.scenario.estate_text(targets, secrets_file=secrets.name)
        if self._notify is not None:
            host, port = self._notify
            text += f'\n[notifications]\nhost = "{host}"\nport = {port}\n'
        self.estate_file.write_text(text)
        self._ticking = asyncio.create_task(self._tick())
        return self

    async def _serve(self, agent: Agent, number: int) -> tuple[str, int]:
        """Let a card answer at a loopback address of its own, where the machine has such; else on a port."""
        for address, port in ((f"127.0.71.{11 + number}", _PORT), (f"127.0.71.{11 + number}", 0)):
            try:
                return await self._host.serve(agent, address, port)
            except OSError:  # taken by another play, or loopback is a single address here
                continue
        return await self._host.serve(agent)

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        ticking, self._ticking = self._ticking, None
        await self._host.aclose()
        if ticking is None:
            return
        if ticking.done():
            ticking.result()  # a fault in the physics is not to be hidden
        ticking.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await ticking

    async def _tick(self) -> None:
        """Keep the play going while nobody asks."""
        while True:
            self._advance()
            await self._clock.sleep_until(self._began_s + self.seconds + TICK_S)

    def _first_stage(self) -> DirectorStage:
        systems = {
            name: episodes.steady_state(self.scenario, system, self._epoch_s)
            for name, system in self._plant.systems.items()
        }
        supplies = {name: SupplyState() for name in self._plant.supplies}
        world = worlds.after(self._plant, WorldState(self._epoch_s - 1.0, supplies, systems), 1.0)
        cards = {}
        for unit in UNITS:
            booted_s = boot_s(self.scenario.seed, unit.unit, np.array([self._epoch_s]))
            cards[unit.card] = Behaviour(float(booted_s[0]), self._lies[unit.card])
        return DirectorStage(world, cards)

    def _card(self, unit: Installed) -> _Card:
        agent = Agent(lambda: self._values(unit.card), communities={COMMUNITY.encode()})
        meters = Meters.of(self.scenario.seed, unit.unit)
        return _Card(unit, meters, agent, Notices(COMMUNITY.encode()))

    def _advance(self) -> None:
        """Play on to the clock's present second, each cue at its own second."""
        target_s = self._epoch_s + math.floor(self._clock.monotonic_s() - self._began_s + 1e-6)
        while self._stage.world.t_s < target_s:
            self._play_due()
            self._stage = replace(self._stage, world=worlds.after(self._plant, self._stage.world, TICK_S))
            self._follow()
        self._play_due()

    def _play_due(self) -> None:
        due = self._script.due(self.seconds)
        for cue in due:
            self._happen(cue.event)
        if due and self._cues is None:
            self._cues_played += len(due)
            (self.folder / PLAYED).write_text(json.dumps({"cues": self._cues_played}) + "\n")

    def _happen(self, event: Event) -> None:
        if isinstance(event, MainsFails) and self._stage.world.supplies[event.supply].mains:
            truth = Truth(self._plant, self._stage.world)
            self._outages += [
                TrueOutage(name, truth)
                for name, system in self._plant.systems.items()
                if system.supply == event.supply
            ]
        if isinstance(event, CardResets):
            self._cards[event.card].rows = AlarmRows({})
            self._cards[event.card].notices.restarted()
        self._stage = played(self._plant, self._stage, event)

    def _follow(self) -> None:
        """Note what the last second did to outages and cards."""
        world = self._stage.world
        at = datetime.fromtimestamp(world.t_s, UTC)
        for outage in self._outages:
            if outage.ended is not None:
                continue
            system = self._plant.systems[outage.system]
            state = world.systems[outage.system]
            outage.lost = outage.lost or state.lost
            for unit, now in zip(system.units, state.units, strict=True):
                if now.mode is Mode.ENDED:
                    outage.bank_ends = {unit.bank.id: at, **outage.bank_ends}
            fed = world.feeds[system.supply].source is not FeedSource.NOTHING
            if fed and all(u.mode in (Mode.NORMAL, Mode.ISOLATED) for u in state.units):
                outage.ended = at
        for name, card in self._cards.items():
            hung = world.t_s < self._stage.cards[name].hung_until_s
            if card.agent.faults.hang != hung:
                card.agent.faults = Faults(hang=hung)
            self._raise_alarms(name, card)
            if self._notify is not None and card.place[1] and not hung:
                self._tell(name, card, self._notify)

    def _tell(self, name: str, card: _Card, to: tuple[str, int]) -> None:
        world, behaviour = self._stage.world, self._stage.cards[name]
        said = self._spoken(card, behaviour) if card.rows.rows else {}
        uptime_s = behaviour.uptime_s(world.t_s)
        datagram = card.notices.after(card.rows, said, uptime_s=uptime_s, t_s=world.t_s)
        if datagram is not None:
            self._host.send(card.place, datagram, to)

    def _raise_alarms(self, name: str, card: _Card) -> None:
        world = self._stage.world
        system, place = self._plant.place_of[card.installed.unit]
        plant = self._plant.systems[system].units[place]
        unit = world.systems[system].units[place]
        feed = world.feeds[self._plant.systems[system].supply]
        charge = np.array([voice.card_charge(plant, unit.bank.drawn_ah)])
        minutes = float(voice.card_minutes(plant, charge, np.array([sum(unit.watts)]))[0])
        raised = voice.alarms_of(plant, unit, feed, minutes)
        behaviour = self._stage.cards[name]
        if Lie.ALARM_ROWS_STAY in behaviour.lies:
            raised = tuple(dict.fromkeys([*card.rows.rows, *raised]))
        card.rows = card.rows.after(raised, behaviour.uptime_s(world.t_s))

    def _values(self, name: str) -> Mapping[str, Typed]:
        """Return what a card holds at this moment, by OID: the agent's values."""
        self._advance()
        card = self._cards[name]
        t_s = self._stage.world.t_s
        behaviour = self._stage.cards[name]
        if card.said_at_s != t_s:
            if card.said and t_s < behaviour.frozen_until_s:
                ticks = int(behaviour.uptime_s(t_s) * 100.0) % 2**32
                card.said = {
                    **card.said,
                    voice.oid_of("sysUpTime"): voice.typed({"sysUpTime": ticks})["sysUpTime"],
                }
            else:
                card.said = self._spoken(card, behaviour)
            card.said_at_s = t_s
        return card.said

    def _spoken(self, card: _Card, behaviour: Behaviour) -> dict[str, Typed]:
        """Return a card's objects by OID, lies and alarm rows included."""
        world = self._stage.world
        system, place = self._plant.place_of[card.installed.unit]
        plant = self._plant.systems[system].units[place]
        feed = world.feeds[self._plant.systems[system].supply]
        unit = world.systems[system].units[place]
        counted = replace(unit, bads=unit.bads + self._bads_before(system))
        at = voice.moment_of(plant, counted, feed, uptime_s=behaviour.uptime_s(world.t_s))
        return spoken(plant, at, card.meters, lies=behaviour.lies, rows=card.rows)

    def _bads_before(self, system: str) -> int:
        """Return how often a system's input had gone bad before this play began."""
        bads = episodes.line_bads_before(system, self.scenario.now.timestamp(), np.array([self._epoch_s]))
        return int(bads[0]) + self._failures_before.get(self._plant.systems[system].supply, 0)
