"""An outage in which the generator never starts: simulated cards over sockets, simulated time, to the words people get.

The plant is the demonstration's Brackmere: three units, a generator with three attempts, two load groups. Cards are
read over loopback by the real reader, each moment goes through the recorder, judgements are made in place.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any, TypeVar, cast

from collector.assessment.hold_up import Judging
from collector.assessment.worker import Worker
from collector.cards.corrections.learning import Learning
from collector.cards.mib.upsmib import TablePart
from collector.cards.polling.poller import Answer
from collector.cards.polling.reader import CardReader
from collector.cards.snmp.transport import Transport
from collector.configuration import Configuration, load_text
from collector.configuration.card_access import credentials_of
from collector.messaging.channels.mail import plain_text
from collector.messaging.delivery.dispatch import Dispatch
from collector.messaging.delivery.letter import LETTER, Letter, notice_data
from collector.planning.planner import Planner
from collector.planning.shed_advice import ShedAdviser
from collector.process.clock import TurnedClock, stamp
from collector.recorder.current_state import Present
from collector.recorder.parts import RecorderParts
from collector.recorder.recorder import Recorder
from collector.simulation.estate import SimulatedEstate
from collector.simulation.scenario.director import Cue, MainsFails, MainsReturns, SetWill
from collector.storage.history.store import HistoryStore
from collector.storage.ledger import Ledger
from collector.storage.ledger.records import Outgoing
from rules.battery.assessment.bank import judge_bank
from rules.battery.assessment.evidence import BankEvidence
from rules.battery.discharge.evidence import DischargeEvidence
from rules.battery.model.runtime_curve import curve_for
from rules.monitor.state import Book
from rules.phrasing.reasons import say
from rules.plant.estate import Bank
from rules.plant.topology import Topology
from tests.collector.scripted import Forgetful

T = TypeVar("T")
NOON = datetime(2026, 10, 9, 12, 0, tzinfo=UTC)
SYSTEM, SUPPLY = "brackmere", "brackmere-mains"
FAILS_S = 20.0
POLL_S, JUDGE_S = 5.0, 15.0
TEST_W_PER_CELL = 30.0
PEOPLE = """
[[channel]]
id = "desk"
kind = "webhook"
url = "https://desk.example/messages"

[[person]]
name = "Night desk"
telephone = "01632 960 042"
reach = [{ channel = "desk" }]
tell = [{ severity = "major", about = ["brackmere"] }]

[[person]]
name = "Tollwick keeper"
telephone = "01632 960 077"
reach = [{ channel = "desk" }]
tell = [{ severity = "major", about = ["tollwick"] }]
"""


class InPlace:
    """Stands for the judging process: reckons at once, in this one."""

    async def ask(self, _key: str, function: Callable[..., T], *arguments: object, about: object = None) -> T:
        return function(*arguments)


@dataclass
class Played:
    """The collector on the simulated plant, moment by moment; `at_s` counts from the failure of the mains."""

    clock: TurnedClock
    plant: SimulatedEstate
    configuration: Configuration
    recorder: Recorder
    judging: Judging
    adviser: ShedAdviser
    ledger: Ledger
    readers: dict[str, CardReader]
    raised: dict[str, float] = field(default_factory=dict)
    _judged_s: float = -1e9

    @property
    def at_s(self) -> float:
        return self.clock.monotonic_s() - FAILS_S

    @property
    def present(self) -> Present:
        return self.recorder._present

    async def moment(self, seconds: float = POLL_S) -> None:
        """Turn the clock on, read every card, judge what is due, and note what alarms then stand."""
        await self.clock.advance(seconds)
        parts = frozenset(TablePart)
        wires = await asyncio.gather(*(reader.read(parts) for reader in self.readers.values()))
        now = stamp(self.clock)
        answers = [
            Answer(card, now, POLL_S, 0.0, 0.01, wire) for card, wire in zip(self.readers, wires, strict=True)
        ]
        await self.recorder.process(answers)
        if self.clock.monotonic_s() - self._judged_s >= JUDGE_S:
            self._judged_s = self.clock.monotonic_s()
            seen = self.judging.seen(SYSTEM)
            assert seen is not None
            await self.judging._judge(*seen)
            state = self.adviser._next(self._judged_s)
            if state is not None:
                await self.adviser.once(state)
            await self.recorder.process([self.recorder.queue.get_nowait()])
        for name, alarm in self.present.alarms.items():
            if alarm.state.active:
                self.raised.setdefault(name, self.at_s)

    async def until(self, at_s: float, every_s: float = POLL_S) -> None:
        while self.at_s < at_s:
            await self.moment(min(every_s, at_s - self.at_s))

    async def messages(self) -> list[Outgoing]:
        """Return every message to a person so far, oldest first."""
        page = await self.ledger.messages(limit=1000)
        return [m for m in reversed(page.items) if m.schema == LETTER]


@asynccontextmanager
async def played(folder: Path, *cues: Cue) -> AsyncIterator[Played]:
    clock = TurnedClock(NOON)
    async with (
        SimulatedEstate(folder / "plant", clock=clock, cues=cues, lies={}) as plant,
        Ledger(folder / "ledger.sqlite") as ledger,
        Transport() as transport,
    ):
        text = plant.estate_file.read_text() + PEOPLE
        configuration = load_text(text, plant.estate_file)
        estate = configuration.estate
        present = Present(estate)
        dispatch = Dispatch(Topology(estate), configuration.people, "brackmere")
        parts = RecorderParts(estate, clock, present, Learning(estate))
        judging = Judging(estate, cast("Worker", InPlace()), clock, present, parts.queue.put)
        recorder = Recorder(
            Book(estate),
            clock,
            cast("HistoryStore", Forgetful()),
            ledger,
            present,
            parts,
            consumers=(judging,),
            enqueue=dispatch.enqueue,
        )
        planner = Planner(
            estate,
            InPlace(),
            clock,
            present,
            seen=judging.seen,
            record=recorder.trackers.loads.of,
            beliefs=judging.spoken_beliefs,
            beliefs_in_outage=partial(judging.spoken_beliefs, urgent=True),
            ledger=ledger,
        )
        for bank in estate.banks_of_system(SYSTEM):
            judging.believe(judge_bank(last_test_of(bank), seed=1).belief)
        readers = {
            card: CardReader.of(
                transport,
                access.target.host,
                access.target.port,
                credentials_of(access.credentials, access.snmp_version),
            )
            for card, access in configuration.cards.items()
            if estate.units[estate.cards[card].covers[0]].system == SYSTEM
        }
        adviser = ShedAdviser(estate, planner, clock, present)
        yield Played(clock, plant, configuration, recorder, judging, adviser, ledger, readers)


def last_test_of(bank: Bank) -> BankEvidence:
    """Return the evidence of a bank whose yearly full test gave nine tenths of its table's time."""
    curve = curve_for(bank.fitted[-1])
    published_s = float(curve.seconds(TEST_W_PER_CELL))
    test = DischargeEvidence(
        at=NOON - timedelta(days=60),
        kind="test",
        seconds=0.9 * published_s,
        output_power_w=TEST_W_PER_CELL * bank.cells * 0.93,
        published_s=published_s,
        used=0.9,
        fraction=0.9,
        low=0.85,
        high=0.95,
        ended=True,
    )
    return BankEvidence(
        bank, NOON, temperature_c=bank.room_temperature_c, discharges=(test,), rating_w=18_000.0
    )


def word(message: Outgoing) -> dict[str, Any]:
    """Return a message as a program at the other end reads it."""
    found: dict[str, Any] = json.loads(json.dumps(notice_data(Letter.of(message.body), message.id)))
    return found


async def test_a_set_that_never_starts_is_told_step_by_step_with_what_to_shed_and_whom_to_call(
    tmp_path: Path,
) -> None:
    cues = (Cue(FAILS_S, SetWill(SUPPLY, fires_at=None)), Cue(FAILS_S, MainsFails(SUPPLY)))
    async with played(tmp_path, *cues) as play:
        await play.until(150.0)
        # declared: 5 s to notice, 3 cranks of 10 s and 2 rests of 10 s, 10 s of run-up, 3 s of changeover,
        # 15 s to accept: at 83 s every start has failed; with 20 s of hold-off and 15 s of walk-in 118 s are
        # allowed, and 10 s of grace. Cards are read each 5 s, and what they say is up to one poll old.
        assert 83.0 < play.raised[f"starts_failed:{SYSTEM}"] <= 83.0 + 2 * POLL_S
        assert 128.0 < play.raised[f"no_supply_in_time:{SYSTEM}"] <= 128.0 + 2 * POLL_S
        told = [m for m in map(word, await play.messages()) if f"no_supply_in_time:{SYSTEM}" in m["alarms"]]
        first = told[0]
        on = play.present.systems[SYSTEM].on_battery
        assert on is not None
        assert on.shed is not None
        assert on.ends_earliest is not None

        # time left of the system, what to shed now and who does it, whom to call: all in that one message
        assert first["urgent"]
        (line,) = [x for x in first["details"] if x.startswith("Brackmere filtration: 3 units on battery")]
        assert "left at the least" in line
        said = f"{first['what']} {first['do']} {line}"
        steps = [step.group for step in on.shed.steps]
        if steps:
            assert f"Shed first {steps[0]}" in said
        else:
            assert "Nothing needs to be shed yet: it holds for a start by hand" in said
        assert first["call"] == ["Night desk, 01632 960 042"]
        letter = next(Letter.of(m.body) for m in await play.messages() if word(m)["id"] == first["id"])
        assert "Call: Night desk, 01632 960 042" in plain_text(letter)

        # it goes on: the end comes within ten minutes, before the plant's true end
        truth_s = play.plant.truth().hold_up(SYSTEM).seconds
        assert truth_s is not None
        ends_s = play.at_s + truth_s
        while f"ends_soon:{SYSTEM}" not in play.raised and play.at_s < ends_s:
            await play.moment(30.0)
        assert play.raised[f"ends_soon:{SYSTEM}"] < ends_s
        on = play.present.systems[SYSTEM].on_battery
        assert on is not None
        assert on.shed is not None
        alarm = play.present.alarms[f"ends_soon:{SYSTEM}"]
        assert "at the least" in say(alarm.what)
        assert "Shed" in say(alarm.do)


async def test_supply_that_comes_back_ends_all_of_it_and_its_advice(tmp_path: Path) -> None:
    cues = (
        Cue(FAILS_S, SetWill(SUPPLY, fires_at=None)),
        Cue(FAILS_S, MainsFails(SUPPLY)),
        Cue(FAILS_S + 100.0, MainsReturns(SUPPLY)),
    )
    async with played(tmp_path, *cues) as play:
        await play.until(95.0, every_s=10.0)
        assert play.present.sheds
        assert f"starts_failed:{SYSTEM}" in play.raised
        await play.until(210.0, every_s=10.0)
        play.adviser._next(play.clock.monotonic_s())
        assert play.present.sheds == {}
        kinds = {a.kind for a in play.present.alarms.values() if a.state.active}
        assert kinds.isdisjoint({"starts_failed", "no_supply_in_time", "ends_soon", "on_battery"})
        last = word((await play.messages())[-1])
        assert last["kind"] == "closed"
        assert "the load was carried throughout" in last["what"]
        assert last["call"] == []
        (outage,) = play.recorder.trackers.outages.outages
        assert outage.back_at is not None
        assert outage.found is not None
        # the mains for 100 s, then 15 s to accept it and up to 20 s in turn; read each 10 s
        assert timedelta(seconds=100) <= outage.back_at - outage.lost_at <= timedelta(seconds=155)
