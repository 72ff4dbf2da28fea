"""The service's own lateness is measured at the end of the line, and told as its own: no card is blamed for it."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from pathlib import Path

import pytest

from collector.cards.mib.upsmib import TablePart
from collector.cards.mib.wire_values import CardRead
from collector.cards.polling.poller import Answer, Poller
from collector.cards.polling.schedule import Cadence
from collector.cards.polling.urgency import PollUrgency
from collector.process.clock import TurnedClock, stamp
from collector.recorder.batch import InputQueue
from collector.recorder.current_state import Present
from collector.recorder.punctuality import Punctuality
from collector.recorder.reading_ages import ReadingAges
from rules.alarms.lifecycle.states import State
from rules.monitor.inputs import ReadingsLooked, Tick
from rules.phrasing.reasons import said, say
from rules.plant.reading import Reading, Silence
from rules.plant.unread import OldReading, Unread
from rules.system.state import Standing
from rules.values.verdict import Verdict
from tests.collector.scripted import WHOLE, Scripted, scripted
from tests.rules.sample_plants import NOON, estate, reading

PLANT = estate(2)
UNITS = tuple(PLANT.units)
CARDS = {unit: card.id for unit in UNITS if (card := PLANT.card_of(unit)) is not None}
EVERY_S = Cadence().every_s


class Idle:
    """A card that a test speaks for."""

    async def read(self, _parts: frozenset[TablePart]) -> CardRead:
        return WHOLE


def pollers_on(clock: TurnedClock) -> dict[str, Poller]:
    out: asyncio.Queue[Answer] = asyncio.Queue()
    return {card: Poller(card, Idle(), Cadence(), clock, out) for card in CARDS.values()}


def read(unit: str, clock: TurnedClock) -> Reading:
    return replace(reading(unit), stamp=stamp(clock))


def answer(
    clock: TurnedClock, card: str = CARDS["A1"], *, late_s: float = 0.0, silent: bool = False
) -> Answer:
    wire, why = (None, "no answer") if silent else (WHOLE, None)
    return Answer(card, stamp(clock), EVERY_S, late_s, 0.1, wire, silence=why)


async def test_a_poll_is_late_once_it_is_shown_late_though_it_was_asked_and_answered_in_time() -> None:
    clock = TurnedClock(NOON)
    done = Punctuality(PLANT, pollers_on(clock), clock, InputQueue(clock))
    prompt, waiting = answer(clock), answer(clock, CARDS["A2"])
    await clock.advance(0.5)
    done.shown([prompt], began_s=0.0)
    assert (done.polls, done.late, done.missed) == (1, 0, 0)
    await clock.advance(16.0)
    done.shown([waiting], began_s=0.5)
    assert (done.polls, done.late, done.missed) == (2, 1, 0)
    assert done.busy_s == 16.5


async def test_a_gap_is_late_and_its_periods_are_missed_whatever_the_schedule_says_was_due() -> None:
    clock = TurnedClock(NOON)
    done = Punctuality(PLANT, pollers_on(clock), clock, InputQueue(clock))
    done.shown([answer(clock)], began_s=0.0)
    await clock.advance(42.1)
    done.shown(
        [answer(clock, late_s=0.0)], began_s=42.1
    )  # read after 42 s, and its poller calls that in time
    assert (done.polls, done.late) == (2, 1)
    assert done.missed == int((42.0 - EVERY_S) / EVERY_S)


async def test_what_waits_has_the_age_of_the_oldest_until_its_batch_is_finished() -> None:
    clock = TurnedClock(NOON)
    line = InputQueue(clock)
    assert line.age_s == 0.0
    line.put_nowait(Tick(stamp(clock)))
    await clock.advance(3.0)
    line.put_nowait(Tick(stamp(clock)))
    line.get_nowait()
    await clock.advance(2.0)
    assert line.age_s == 5.0, "taken out, and not finished"
    line.finished(1)
    assert line.age_s == 2.0
    line.get_nowait()
    line.finished(1)
    assert (line.age_s, line.longest_s(), line.longest_s()) == (0.0, 5.0, 0.0)


async def all_answer(site: Scripted, *, silent: bool = False) -> list[Answer]:
    """Have every card answer now, as its poller notes it; the answers are not judged yet."""
    found = [answer(site.clock, card, silent=silent) for card in CARDS.values()]
    for one in found:
        site.recorder.pollers[one.card]._count(one)
    return found


async def test_readings_that_wait_for_the_judge_are_no_silence_of_their_cards(tmp_path: Path) -> None:
    async with scripted(PLANT, tmp_path, NOON) as site:
        site.recorder.pollers |= pollers_on(site.clock)
        await site.recorder.process(await all_answer(site))
        assert site.recorder._present.systems["A"].redundancy is not None
        waiting = await all_answer(site)
        await site.clock.advance(16.0)
        await all_answer(site)
        await site.recorder.process(waiting)
        state = site.recorder._present.systems["A"]
        assert {unit.standing for unit in state.units} == {Standing.UNKNOWN}
        words = " ".join(why for need in state.requirements for why in said(need.because))
        assert {need.verdict for need in state.requirements} == {Verdict.CANNOT_TELL}
        assert "wait 16 s to be judged" in words
        assert "not answered" not in words
        assert not any(a.kind == "card_silent" for a in site.recorder.state.alarms.values())


async def test_a_card_that_was_asked_in_time_and_does_not_answer_is_silent(tmp_path: Path) -> None:
    async with scripted(PLANT, tmp_path, NOON) as site:
        site.recorder.pollers |= pollers_on(site.clock)
        await site.recorder.process(await all_answer(site))
        await site.clock.advance(16.0)
        await site.recorder.process(await all_answer(site, silent=True))
        state = site.recorder._present.systems["A"]
    assert {unit.standing for unit in state.units} == {Standing.SILENT}
    assert "Unit A1 has not answered for 16 s." in {w for n in state.requirements for w in said(n.because)}


@pytest.mark.parametrize(
    ("asking_s", "why"),
    [(5.0, Unread.NO_ANSWER), (15.5, Unread.NOT_ASKED), (None, Unread.NOT_ASKED)],
    ids=["asked when it was due", "asked ten seconds late", "not asked"],
)
async def test_who_is_at_fault_for_an_old_reading(asking_s: float | None, why: Unread) -> None:
    clock, present = TurnedClock(NOON), Present(PLANT)
    pollers = pollers_on(clock)
    done = Punctuality(PLANT, pollers, clock, InputQueue(clock))
    first = answer(clock)
    pollers[first.card]._count(first)
    done.takes(first)
    done.shown([first], began_s=0.0)
    present.keep(read("A1", clock))
    await clock.advance(16.0)
    pollers[first.card].figures.asking_since_s = asking_s
    assert done.why("A1", present) is why
    present.keep(Silence("A1", stamp(clock), "no answer"))
    assert done.why("A1", present) is Unread.NO_ANSWER


async def test_a_unit_unread_for_three_periods_is_looked_at_whatever_its_poller_says() -> None:
    clock, present = TurnedClock(NOON), Present(PLANT)
    pollers = pollers_on(clock)
    done = Punctuality(PLANT, pollers, clock, InputQueue(clock))

    async def give(_looked: ReadingsLooked) -> None: ...

    ages = ReadingAges(PLANT, clock, present, PollUrgency(PLANT, pollers), done, give)
    for unit in UNITS:
        present.keep(read(unit, clock))
    assert ages.look() == ReadingsLooked(stamp(clock), (), UNITS), "once: all are fresh"
    await clock.advance(15.0)
    present.keep(read("A2", clock))
    assert ages.look() is None
    await clock.advance(0.5)
    assert ages.look() == ReadingsLooked(stamp(clock), (OldReading("A1", 15.5, Unread.NOT_ASKED),))
    assert ages.look() is None, "nothing new"
    present.keep(read("A1", clock))
    assert ages.look() == ReadingsLooked(stamp(clock), (), ("A1",))
    pollers[CARDS["A1"]].urgent = True
    await clock.advance(6.5)
    assert ages.look() == ReadingsLooked(stamp(clock), (OldReading("A1", 6.5, Unread.NOT_ASKED),)), (
        "2 s a period"
    )


async def test_an_unread_unit_is_an_alarm_until_it_is_read_and_a_silent_card_says_it_already(
    tmp_path: Path,
) -> None:
    async with scripted(PLANT, tmp_path, NOON) as site:

        def alarm(unit: str) -> tuple[State, str] | None:
            found = site.recorder.state.alarms.get(f"unit_not_read:{unit}")
            return None if found is None else (found.state, say(found.what))

        async def look(*old: OldReading, fresh: tuple[str, ...] = ()) -> None:
            await site.recorder.process([ReadingsLooked(stamp(site.clock), old, fresh)])

        await site.read()
        site.says = {"A1": site.says["A1"]}
        await site.clock.advance(20.0)
        await site.recorder.process([answer(site.clock, CARDS["A2"], silent=True)])
        await look(OldReading("A1", 20.0, Unread.NOT_ASKED), OldReading("A2", 20.0, Unread.NO_ANSWER))
        await site.clock.advance(6.0)
        await look(OldReading("A1", 26.0, Unread.NOT_ASKED), OldReading("A2", 26.0, Unread.NO_ANSWER))
        state, what = alarm("A1") or (None, "")
        assert state is State.ACTIVE_UNACKNOWLEDGED
        assert "26 s old" in what
        assert "did not ask its card in time" in what
        assert (alarm("A2") or (None, ""))[0] is State.SUPPRESSED_BY_DESIGN
        await look(fresh=("A1",))
        await site.clock.advance(11.0)
        await look(fresh=("A1",))
        assert (alarm("A1") or (State.RETURNED_UNACKNOWLEDGED, ""))[0] is State.RETURNED_UNACKNOWLEDGED
