"""Who proved when that a card is the one in its cabinet."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from collector.cards.commissioning.confirmations import confirmed
from collector.cards.commissioning.identify import Confirmation, Proof
from collector.storage.ledger.records import EquipmentEvent, LearntFact
from rules.planning.isolation.rows import Confirmed
from tests.rules.sample_plant import estate

AT = datetime(2026, 10, 20, 7, tzinfo=UTC)


def fact(proof: Proof, unit: str = "W1", card: str = "card-W1") -> LearntFact:
    result = Confirmation(unit, card, "R. Haugen", AT, proof, ())
    return LearntFact(card, f"confirmed:{unit}", AT, "confirmation/1", result.as_json())


def test_only_a_proof_of_the_card_now_declared_counts() -> None:
    assert confirmed(estate(), [fact(Proof.CONFIRMED)]) == {"W1": Confirmed("R. Haugen", AT)}
    for other in (fact(Proof.REFUTED), fact(Proof.CANNOT_TELL), fact(Proof.CONFIRMED, card="card-W2")):
        assert confirmed(estate(), [other]) == {}


def test_a_replacement_after_the_proof_sets_it_aside() -> None:
    def replaced(hours: float) -> EquipmentEvent:
        at = AT + timedelta(hours=hours)
        return EquipmentEvent(at, "replaced", "W1", "Ada", at)

    assert confirmed(estate(), [fact(Proof.CONFIRMED)], [replaced(-1)])
    assert confirmed(estate(), [fact(Proof.CONFIRMED)], [replaced(1)]) == {}
