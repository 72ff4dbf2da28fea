"""What a person proves at a cabinet counts in the running service, whoever wrote it into the ledger."""

import asyncio
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from collector.cards.commissioning.confirmation_feed import LOOK_EVERY_S, Teaching
from collector.cards.corrections.learning import CONFIRMATION, Learning
from collector.process.clock import TurnedClock
from collector.storage.ledger import Ledger
from collector.storage.ledger.records import LearntFact
from tests.rules.sample_plants import estate

NOON = datetime(2026, 11, 24, 12, tzinfo=UTC)
ESTATE = estate()
CARD = next(iter(ESTATE.cards))


def told(ratio: float, at: datetime) -> LearntFact:
    comparisons = [{"quantity": "output_power_w", "line": 1, "ratio": ratio}]
    return LearntFact(CARD, "confirmed:A1", at, CONFIRMATION, {"comparisons": comparisons})


async def test_a_confirmation_written_by_another_process_teaches_within_a_look(tmp_path: Path) -> None:
    clock, learning = TurnedClock(NOON), Learning(ESTATE)
    async with Ledger(tmp_path / "ledger") as ours, Ledger(tmp_path / "ledger") as theirs:
        looking = asyncio.create_task(Teaching(ours, learning, clock, seen=0).run())
        try:
            await clock.advance(0.0)  # it goes to sleep
            await clock.advance(LOOK_EVERY_S + 1.0, settle_s=0.3)
            assert learning.knowledge(CARD).load.told_factor is None
            async with theirs.transaction() as tx:
                tx.learn(told(0.1, NOON))
            await clock.advance(LOOK_EVERY_S, settle_s=0.3)
            # the person's watts over the card's: ten
            assert learning.knowledge(CARD).load.told_factor == pytest.approx(10.0)
            assert learning.pending  # and is kept with what else is known of the card
        finally:
            looking.cancel()
            await asyncio.gather(looking, return_exceptions=True)


async def test_what_was_taken_in_at_the_start_is_not_taken_in_again(tmp_path: Path) -> None:
    """After `forget`, an old proof must not come back at the next look; a newer one counts."""
    learning = Learning(ESTATE)
    async with Ledger(tmp_path / "ledger") as ledger:
        async with ledger.transaction() as tx:
            tx.learn(told(0.1, NOON))
        (known,) = await ledger.facts()
        teaching = Teaching(ledger, learning, TurnedClock(NOON), seen=known.seq)
        await teaching.look()
        assert learning.knowledge(CARD).load.told_factor is None
        async with ledger.transaction() as tx:
            tx.learn(told(1.0, NOON + timedelta(days=1)))
        await teaching.look()
        assert learning.knowledge(CARD).load.told_factor == pytest.approx(1.0)
