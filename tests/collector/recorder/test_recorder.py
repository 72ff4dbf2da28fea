"""What the recorder hands to the judgement of a system."""

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from typing import cast

import pytest

from collector.cards.corrections.learning import Learning
from collector.cards.mib.upsmib import TablePart
from collector.cards.mib.wire_values import CardRead, WireState
from collector.cards.polling.poller import Answer
from collector.process.clock import TurnedClock, stamp
from collector.recorder import batch as batches
from collector.recorder import recorder as recording
from collector.recorder.batch import GATHERED_LIVELY_S, GATHERED_S, InputQueue
from collector.recorder.current_state import Present
from collector.recorder.monitor_state import kept_state
from collector.recorder.parts import Consumer, RecorderParts
from collector.recorder.recorder import Recorder
from collector.storage.history.store import HistoryStore
from collector.storage.ledger import Ledger
from rules.alarms.catalogue import Explanation
from rules.alarms.windows import Window
from rules.monitor.inputs import Input, PlannedWork, SystemJudged, Tick
from rules.monitor.live import Live
from rules.monitor.outputs import Change
from rules.monitor.state import Book
from rules.monitor.step import advance
from rules.phrasing.reasons import said, say
from rules.plant.estate import Estate
from rules.plant.reading import OutputSource, Reading, Silence, Stamp
from rules.system.observation import SystemObservation, SystemView
from rules.system.state import Standing
from rules.values.verdict import Verdict
from tests.collector.cards.sample_cards import GOOD
from tests.collector.scripted import Forgetful, scripted
from tests.rules.sample_plants import NOON, estate, paired, reading


def alone(
    plant: Estate,
    clock: TurnedClock,
    ledger: Ledger,
    present: Present | None = None,
    on_kept: Callable[[], None] = lambda: None,
) -> Recorder:
    """Return a recorder whose history forgets, with nobody beside it."""
    present = present or Present(plant)
    parts = RecorderParts(plant, clock, present, Learning(plant))
    history = cast("HistoryStore", Forgetful())
    return Recorder(Book(plant), clock, history, ledger, present, parts, on_kept=on_kept)


@dataclass
class Looks:
    """Judging that remembers the last view it was shown."""

    views: list[SystemView] = field(default_factory=list)

    def look(self, view: SystemView, _seen: SystemObservation) -> None:
        self.views.append(view)


async def test_a_system_is_judged_with_its_planned_isolation_and_its_coldest_month(tmp_path: Path) -> None:
    plant = estate(2)
    clock, looks = TurnedClock(NOON), Looks()
    now = stamp(clock)
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        history = cast("HistoryStore", Forgetful())
        bank = plant.banks_of_system("A")[0].id
        present = Present(plant)
        recorder = Recorder(
            Book(plant),
            clock,
            history,
            ledger,
            present,
            RecorderParts(plant, clock, present, Learning(plant)),
            consumers=(cast("Consumer", looks),),
            coldest_c={bank: 17.5, "of another system": 3.0},
        )
        hour = timedelta(hours=1)
        work = Window("w", Explanation.ISOLATION, "A1", NOON - hour, NOON + hour)
        card = plant.card_of("A1")
        assert card is not None
        silent = Answer(card.id, now, 5.0, 0.0, 0.1, silence="no answer")
        await recorder.process([PlannedWork(now, (work,)), silent])
        shown = recorder._present.systems["A"]
    assert looks.views[-1].isolated == {"A1"}
    assert looks.views[-1].coldest_c == {bank: 17.5}
    assert next(u.standing for u in shown.units if u.id == "A1") is Standing.ISOLATED


async def test_what_a_bank_carried_is_remembered_when_the_mains_is_back(tmp_path: Path) -> None:
    plant = estate(2)
    clock, present = TurnedClock(NOON), Present(plant)
    bank = plant.banks_of("A1")[0].id
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        recorder = alone(plant, clock, ledger, present)
        present.readings["A1"] = reading("A1", source=OutputSource.BATTERY, on_battery_s=84.0)
        carried = recorder.views.of("A", recorder.watch.now).carried[bank]
        assert carried.for_s == 84.0
        present.readings["A1"] = reading("A1")
        assert recorder.views.of("A", recorder.watch.now).carried == {bank: carried}


async def test_who_sends_messages_is_woken_by_the_commit_itself_and_only_where_something_changed(
    tmp_path: Path,
) -> None:
    plant = estate(2)
    clock = TurnedClock(NOON)
    card = plant.card_of("A1")
    assert card is not None
    woken: list[int] = []
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        recorder = alone(plant, clock, ledger, on_kept=lambda: woken.append(recorder.batches))
        silent = Answer(card.id, stamp(clock), 5.0, 0.0, 0.1, silence="no answer")
        await recorder.process([silent])
        assert (await ledger.events(kinds=("card_silent",))).items
        await recorder.process([silent])
    assert woken == [0], "in the first batch, before it was shown; the second says nothing new"


@dataclass
class Watched:
    """What the watch was given, in order."""

    given: list[Input] = field(default_factory=list)
    begun: asyncio.Event = field(default_factory=asyncio.Event)

    def advance(self, live: Live, given: Input) -> tuple[Change, ...]:
        self.given.append(given)
        self.begun.set()
        return advance(live, given)


def all_silent(recorder: Recorder, plant: Estate, now: Stamp) -> None:
    for card in plant.cards:
        recorder.queue.put_nowait(Answer(card, now, 5.0, 0.0, 0.1, silence="no answer"))


async def test_while_many_answers_are_taken_in_others_get_a_turn_and_what_they_give_comes_after(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plant, watched = estate(6), Watched()
    present, clock = Present(plant), TurnedClock(NOON)
    turns: set[int] = set()

    async def another(recorder: Recorder) -> None:
        await watched.begun.wait()
        recorder.queue.put_nowait(Tick(stamp(clock)))
        while not recorder.batches:
            turns.add(len(watched.given))
            await asyncio.sleep(0)

    monkeypatch.setattr(recording, "advance", watched.advance)
    monkeypatch.setattr(batches, "TURN_EVERY_S", 0.0)  # as on a machine where each answer takes so long
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        recorder = alone(plant, clock, ledger, present)
        all_silent(recorder, plant, stamp(clock))
        async with asyncio.timeout(10.0), asyncio.TaskGroup() as group:
            line = group.create_task(recorder.run())
            group.create_task(another(recorder))
            await clock.advance(GATHERED_S)
            await present.news_after(1)
            line.cancel()
    units = list(plant.units)
    assert [given.unit for given in watched.given if isinstance(given, Silence)] == units
    assert set(range(1, len(units) + 1)) <= turns, "a turn after each answer"
    systems = [given.state.id for given in watched.given[len(units) : -1] if isinstance(given, SystemJudged)]
    assert systems == list({unit.system: None for unit in plant.units.values()})
    assert isinstance(watched.given[-1], Tick), "given after the first answer, taken in after the whole batch"


async def test_a_stop_while_a_batch_is_taken_in_comes_after_the_batch_is_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plant, watched = estate(6), Watched()
    clock = TurnedClock(NOON)
    monkeypatch.setattr(recording, "advance", watched.advance)
    monkeypatch.setattr(batches, "TURN_EVERY_S", 0.0)
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        recorder = alone(plant, clock, ledger)
        all_silent(recorder, plant, stamp(clock))
        line = asyncio.create_task(recorder.run())
        await clock.advance(GATHERED_S / 2)
        assert not watched.given, "at rest what follows within a tenth of a second goes through together"
        async with asyncio.timeout(10.0):
            turned = asyncio.create_task(clock.advance(GATHERED_S / 2))
            await watched.begun.wait()
            assert len(watched.given) < len(plant.cards)
            line.cancel()
            with pytest.raises(asyncio.CancelledError):
                await line
            await turned
        kept = await kept_state(ledger)
    assert kept.units.keys() == plant.units.keys()
    assert kept.units == recorder.state.units


async def test_a_surprise_in_one_units_values_is_an_alarm_of_that_unit_and_the_others_go_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plant = estate(2)
    clock = TurnedClock(NOON)
    cards = {unit: card.id for unit in ("A1", "A2") if (card := plant.card_of(unit)) is not None}
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        present = Present(plant)
        recorder = alone(plant, clock, ledger, present)
        meant = recorder.learning.interpret

        def surprised(card: str, unit: str, at: Stamp, state: WireState) -> Reading:
            if unit == "A1":
                raise ZeroDivisionError("a value nobody thought of")
            return meant(card, unit, at, state)

        monkeypatch.setattr(recorder.learning, "interpret", surprised)
        whole = CardRead(frozenset(TablePart), GOOD, alarms=())
        for _ in range(3):
            now = stamp(clock)
            await recorder.process([Answer(card, now, 5.0, 0.0, 0.1, whole) for card in cards.values()])
            await clock.advance(5.0)
        assert set(present.readings) == {"A2"}
        alarm = present.alarms["cannot_judge_unit:A1"]
        assert alarm.state.active
        assert "ZeroDivisionError" in say(alarm.what)
        assert not any(a.about == "A2" and a.kind == "cannot_judge_unit" for a in present.alarms.values())

        monkeypatch.setattr(recorder.learning, "interpret", meant)
        for _ in range(15):
            await recorder.process([Answer(cards["A1"], stamp(clock), 5.0, 0.0, 0.1, whole)])
            await clock.advance(5.0)
        assert set(present.readings) == {"A1", "A2"}
        assert not present.alarms["cannot_judge_unit:A1"].state.active


async def test_a_pair_is_judged_by_what_its_partner_carries_and_tells_when_it_no_longer_fits(
    tmp_path: Path,
) -> None:
    async with scripted(paired(estate(2)), tmp_path, NOON) as site:
        await site.go(90)
        pair = site.recorder.state.systems["A"].partner
        assert pair is not None
        assert pair.verdict is Verdict.ADEQUATE  # 12 of 18 kW a line
        site.says |= {u: reading(u, (7000.0,) * 3) for u in ("B1", "B2")}
        await site.go(90)
        for system in ("A", "B"):  # 6 and 14 kW a line on 18
            pair = site.recorder.state.systems[system].partner
            assert pair is not None
            assert pair.verdict is Verdict.INADEQUATE
            assert site.recorder.state.alarms[f"cannot_take_partner:{system}"].state.active


async def test_a_partner_that_fell_silent_leaves_it_open(tmp_path: Path) -> None:
    async with scripted(paired(estate(2)), tmp_path, NOON) as site:
        await site.go(30)
        for unit in ("B1", "B2"):
            del site.says[unit]
        await site.go(60)
        pair = site.recorder.state.systems["A"].partner
        assert pair is not None
        assert pair.verdict is Verdict.CANNOT_TELL
        assert any("Hall B" in text for text in said(pair.because))


async def test_a_round_is_one_batch_sooner_in_an_outage_and_a_poll_asked_for_waits_for_none() -> None:
    clock, lively = TurnedClock(NOON), [False]
    line = InputQueue(clock, lambda: lively[0])

    def put(*, early: bool = False) -> None:
        line.put_nowait(Answer("c1", stamp(clock), 5.0, 0.0, 0.1, silence="no answer", early=early))

    async def batch_after(seconds: float) -> int | None:
        """Return how many things come as a batch by then, None while none does."""
        await clock.advance(seconds)
        if not taking.done():
            assert not line.under_way
            return None
        assert line.under_way
        line.finished(len(taking.result()))
        return len(taking.result())

    for lively[0] in (False, True):
        gathered_s = GATHERED_LIVELY_S if lively[0] else GATHERED_S
        for first_early, second_early, wait_s in (
            (False, False, gathered_s),
            (False, True, 0.0),
            (True, False, 0.0),
        ):
            taking = asyncio.create_task(line.batch())
            put(early=first_early)
            assert first_early or await batch_after(gathered_s / 2) is None
            put(early=second_early)
            assert await batch_after(wait_s) == 2
    assert GATHERED_LIVELY_S <= GATHERED_S / 5, "a notification is told within 0.1 s"
    assert line.unfinished == 0


async def test_what_came_first_of_a_long_line_is_shown_before_the_last_of_it_is_judged() -> None:
    clock = TurnedClock(NOON)
    line = InputQueue(clock)
    for number in range(1000):
        line.put_nowait(Answer(f"c{number}", stamp(clock), 5.0, 0.0, 0.1, silence="no answer", early=True))
    taken: list[str] = []
    while line.unfinished:
        batch = await line.batch()
        assert len(batch) <= 100  # at a few ms each nothing waits for half a second behind its own round
        taken += [one.card for one in batch if isinstance(one, Answer)]
        line.finished(len(batch))
    assert taken == [f"c{number}" for number in range(1000)]
