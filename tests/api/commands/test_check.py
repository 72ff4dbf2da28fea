"""Which units' cards nobody confirmed at the cabinet."""

import asyncio
from pathlib import Path

from api.commands.check import never_confirmed
from collector.ledger import Ledger
from collector.ledger.records import LearntFact
from tests.rules.plants import NOON, estate


def test_a_unit_whose_card_was_confirmed_is_not_named(tmp_path: Path) -> None:
    plant = estate(2)
    card = plant.card_of("A1")
    assert card is not None
    body = {"unit": "A1", "card": card.id, "who": "R. Haugen", "proof": "confirmed"}
    fact = LearntFact(card.id, "confirmed:A1", NOON, "confirmation/1", body)

    async def keep() -> None:
        async with Ledger(tmp_path / "ledger.sqlite") as ledger, ledger.transaction() as tx:
            tx.learn(fact)

    asyncio.run(keep())
    assert never_confirmed(plant, tmp_path) == ["A2"]


def test_a_folder_without_a_ledger_proves_nothing_and_gets_none(tmp_path: Path) -> None:
    assert never_confirmed(estate(2), tmp_path) == ["A1", "A2"]
    assert list(tmp_path.iterdir()) == []
