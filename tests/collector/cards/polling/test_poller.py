"""One card read on and on, by the defaults: no poke, silence or change of pace leaves it unread."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from itertools import pairwise

from hypothesis import given, settings
from hypothesis import strategies as st

from collector.cards.mib.upsmib import TablePart
from collector.cards.mib.wire_values import CardRead
from collector.cards.polling.poller import Answer, Poller
from collector.cards.polling.schedule import EARLY_AT_ONCE, EARLY_EVERY_S, Cadence
from collector.cards.snmp.errors import NoReply
from collector.process.clock import TurnedClock
from tests.collector.scripted import WHOLE
from tests.rules.sample_plants import NOON

CADENCE = Cadence()
UNANSWERED_S = 1.5


@dataclass
class Card:
    """A card that takes a while to answer, and that is silent between pairs of seconds; notes when it was read."""

    clock: TurnedClock
    takes_s: float = 0.2
    silent: Sequence[tuple[float, float]] = ()
    reads: list[tuple[float, float]] = field(default_factory=list)
    under_way: int = 0

    async def read(self, _parts: frozenset[TablePart]) -> CardRead:
        self.under_way += 1
        assert self.under_way == 1, "never two requests in flight"
        started_s = self.clock.monotonic_s()
        answers = not any(begins <= started_s < ends for begins, ends in self.silent)
        await self.clock.sleep_until(started_s + (self.takes_s if answers else UNANSWERED_S))
        self.under_way -= 1
        self.reads.append((started_s, self.clock.monotonic_s()))
        if not answers:
            raise NoReply("no reply")
        return WHOLE


@asynccontextmanager
async def polled(card: Card) -> AsyncIterator[Poller]:
    """Have a card polled by a clock that the test turns."""
    poller = Poller("c1", card, CADENCE, card.clock, asyncio.Queue[Answer]())
    polling = asyncio.create_task(poller.run())
    await asyncio.sleep(0)
    try:
        yield poller
    finally:
        polling.cancel()
        await asyncio.gather(polling, return_exceptions=True)


def gaps_s(card: Card) -> list[float]:
    """Return how long the card was left alone between its reads."""
    return [start - end for (_, end), (start, _) in pairwise(card.reads)]


async def test_a_hundred_and_twenty_traps_do_not_leave_a_card_unread() -> None:
    card = Card(TurnedClock(NOON))
    async with polled(card) as poller:
        await card.clock.advance(60.0)
        for _ in range(120):
            poller.poke()
            await card.clock.advance(0.3)
        traps_end_s = card.clock.monotonic_s()
        during = [start for start, _ in card.reads if start >= 60.0]
        await card.clock.advance(60.0)
    assert len(during) <= 36 / CADENCE.every_s + 1 + EARLY_AT_ONCE + 36 / EARLY_EVERY_S
    after = [start for start, _ in card.reads if start >= traps_end_s]
    assert after[0] - traps_end_s <= CADENCE.every_s
    assert max(gaps_s(card)) <= CADENCE.every_s
    assert poller.figures.polls == len(card.reads)


async def test_a_trap_is_followed_by_a_poll_at_once_also_right_after_another() -> None:
    card = Card(TurnedClock(NOON))
    async with polled(card) as poller:
        await card.clock.advance(31.0)
        for _ in range(EARLY_AT_ONCE):
            before_s = card.clock.monotonic_s()
            poller.poke()
            await card.clock.advance(card.takes_s)
            assert card.reads[-1] == (before_s, before_s + card.takes_s)


async def test_a_card_that_comes_back_after_three_minutes_is_read_within_a_period_and_on_its_grid() -> None:
    card = Card(TurnedClock(NOON), silent=((30.0, 210.0),))
    async with polled(card) as poller:
        await card.clock.advance(100.0)
        assert poller.figures.silent_since is not None
        await card.clock.advance(160.0)
    back = [start for start, end in card.reads if start >= 210.0]
    assert back[0] - 210.0 <= CADENCE.every_s
    assert all(abs(b - a - CADENCE.every_s) < 1e-6 for a, b in pairwise(back))


async def test_going_urgent_moves_a_due_time_that_is_four_seconds_away() -> None:
    card = Card(TurnedClock(NOON))
    async with polled(card) as poller:
        await card.clock.advance(30.0)
        last_s = card.reads[-1][1]
        await card.clock.advance(last_s + 0.5 - card.clock.monotonic_s())
        poller.urgent = True  # nobody pokes
        hurried_s = card.clock.monotonic_s()
        await card.clock.advance(10.0)
    starts = [start for start, _ in card.reads if start >= hurried_s]
    assert starts[0] - hurried_s <= CADENCE.on_battery_every_s
    assert all(abs(b - a - CADENCE.on_battery_every_s) < 1e-6 for a, b in pairwise(starts))


async def test_a_read_held_up_by_ourselves_is_late_from_the_first_missed_due_time() -> None:
    card, answers = Card(TurnedClock(NOON)), asyncio.Queue[Answer](1)
    poller = Poller("c1", card, CADENCE, card.clock, answers)
    polling = asyncio.create_task(poller.run())
    await asyncio.sleep(0)
    await card.clock.advance(
        11.0
    )  # two reads: the second answer waits for room, as behind a judge that is too busy
    first, second = card.reads
    await card.clock.advance(17.0)
    answers.get_nowait()
    await card.clock.advance(1.0)
    answers.get_nowait()
    await card.clock.advance(0.0)
    assert abs(answers.get_nowait().late_s - (28.0 - (second[0] + CADENCE.every_s))) < 1e-6
    assert second[0] - first[0] == CADENCE.every_s
    polling.cancel()
    await asyncio.gather(polling, return_exceptions=True)


moments = st.lists(st.floats(0.0, 50.0), max_size=40)
silences = st.lists(st.tuples(st.floats(0.0, 50.0), st.floats(0.5, 40.0)), max_size=3)


@settings(max_examples=150, deadline=None)
@given(
    pokes=moments,
    silent=silences,
    turns=st.lists(st.floats(0.0, 50.0), max_size=4),
    takes_s=st.floats(0.01, 1.9),
)
def test_whatever_pokes_and_silences_come_no_gap_exceeds_one_period(
    pokes: list[float], silent: list[tuple[float, float]], turns: list[float], takes_s: float
) -> None:
    """The due times bound every gap; what a read takes comes on top of it, since it is not counted as a gap."""
    urgent_from: list[float] = []

    async def play() -> Card:
        card = Card(TurnedClock(NOON), takes_s, [(begins, begins + lasts) for begins, lasts in silent])
        todo = sorted([(at, "poke") for at in pokes] + [(at, "turn") for at in turns])
        async with polled(card) as poller:
            for at, what in todo:
                await card.clock.advance(max(0.0, at - card.clock.monotonic_s()))
                if what == "poke":
                    poller.poke()
                else:
                    poller.urgent = not poller.urgent
                    urgent_from.append(at)
            await card.clock.advance(60.0 - card.clock.monotonic_s())
        return card

    card = asyncio.run(play())
    assert card.reads[0][0] <= CADENCE.every_s
    assert max(gaps_s(card), default=0.0) <= CADENCE.every_s + 1e-4
    # in a stretch of urgency the same holds with the fast period, from the moment it was wanted
    stretches = [*zip(urgent_from[::2], [*urgent_from[1::2], 60.0], strict=False)]
    for begins, ends in stretches:
        for (_, end), (start, _) in pairwise(card.reads):
            alone_from = max(end, begins)
            if alone_from < min(start, ends):
                assert min(start, ends) - alone_from <= CADENCE.on_battery_every_s + 1e-4
    extra = len(card.reads) - 60.0 / CADENCE.on_battery_every_s
    assert extra <= EARLY_AT_ONCE + 60.0 / EARLY_EVERY_S + 1
