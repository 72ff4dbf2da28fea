"""What is known of every card of the estate, kept in the ledger as it grows.

A reading in the store carries the id of the correction set it was made under, `CARD/EPOCH/SET`. An epoch is the time
between two changes of equipment or firmware. While an epoch lasts, whatever is learnt anew also holds for
the readings before: each older set of the epoch then stands for the newest (in `sets` and in the ledger), which is
how unlearning repairs the past. A set that only says "stale" stays what it was.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any, Final

from collector.cards.corrections.knowledge import CardKnowledge, IdentityChange
from collector.cards.corrections.sample import Declared, declared_for
from collector.cards.mib.correction_set import STANDARD, CorrectionSet
from collector.cards.mib.wire_values import WireState
from collector.storage.ledger.ledger import Ledger
from collector.storage.ledger.records import Corrections, LearntFact
from collector.storage.ledger.transaction import Transaction
from rules.plant.estate import Estate
from rules.plant.reading import Reading, Stamp

KNOWLEDGE: Final = "knowledge"
CONFIRMATION: Final = "confirmation/1"
KEEP_EVERY: Final = timedelta(hours=6)
Overrides = Mapping[str, Mapping[str, float | None]]


@dataclass(slots=True)
class _CardLearning:
    known: CardKnowledge
    epoch: int = 0
    id: str = STANDARD.id
    older: list[str] = field(default_factory=list)
    day: date | None = None
    declared: Declared = field(default_factory=Declared)
    kept_at: datetime | None = None
    since: datetime | None = None
    """When the equipment or firmware last changed; None: not since the card is known."""


class Learning:
    """The knowledge of all cards. `sets` is what a store's `CardMeaning` looks ids up in.

    `overrides`: card -> MIB object -> factor, or None for "never believe it", as the estate file states them.
    """

    def __init__(self, estate: Estate, overrides: Overrides | None = None) -> None:
        self.sets: dict[str, CorrectionSet] = {}
        self.identity_changes: dict[str, tuple[IdentityChange, ...]] = {}
        self.clock_moved = timedelta()
        """By how much the time of day was set since the start: what is learnt from how long things last leaves it out."""
        self.newest_fact = 0
        """The number of the newest fact that the ledger held."""
        self._estate = estate
        self._overrides = overrides or {}
        self._cards = {card: _CardLearning(CardKnowledge.fresh()) for card in estate.cards}
        self._unsaved: dict[str, Corrections] = {}
        self._due: set[str] = set()

    async def restore(self, ledger: Ledger) -> None:
        """Go on from what the ledger holds."""
        facts = await ledger.facts()
        self.go_on_from(facts, await ledger.corrections())
        self.newest_fact = max((fact.seq for fact in facts), default=0)

    def go_on_from(self, facts: Iterable[LearntFact], corrections: Mapping[str, Corrections]) -> None:
        """Go on from what was learnt; what cannot be understood any more is learnt anew."""
        for name, line in corrections.items():
            self.sets[name] = CorrectionSet.from_json(line.body)
        facts = tuple(facts)
        for fact in facts:
            card = self._cards.get(fact.card)
            if card is None or fact.name != KNOWLEDGE:
                continue
            try:
                card.declared = self._declared(fact.card, fact.learnt.date())
                card.known = CardKnowledge.from_json(fact.body["known"], card.declared)
                card.epoch, card.id = int(fact.body["epoch"]), str(fact.body["id"])
                since = fact.body.get("since")
                card.since = None if since is None else datetime.fromisoformat(since)
            except (KeyError, TypeError, ValueError):
                card.known = CardKnowledge.fresh()
                card.epoch += 1
            prefix = f"{fact.card}/{card.epoch}/"
            card.older = [
                name for name, known in self.sets.items() if name.startswith(prefix) and not known.stale
            ]
        self.take_confirmations(facts)

    def take_confirmations(self, facts: Iterable[LearntFact]) -> None:
        """Let watts read at the cabinet decide between scales, unless the equipment has changed since.

        Facts that are no confirmations are passed over. What is taught counts from the card's next reading.
        """
        for fact in facts:
            card = self._cards.get(fact.card) if fact.schema == CONFIRMATION else None
            if card is None or (card.since is not None and fact.learnt < card.since):
                continue
            ratios = sorted(
                float(one["ratio"])
                for one in fact.body.get("comparisons", ())
                if one["quantity"] == "output_power_w" and one["ratio"]
            )
            if ratios and card.known.told_ratio(ratios[len(ratios) // 2], card.declared):
                self._due.add(fact.card)

    def interpret(self, card_id: str, unit: str, stamp: Stamp, state: WireState) -> Reading:
        """Learn from a card's newest state, and return what it means for `unit`."""
        card = self._cards[card_id]
        day = stamp.at.date()
        if card.day != day:
            card.day, card.declared = day, self._declared(card_id, day)
        before = card.known.corrections
        reading = card.known.interpret(
            unit, stamp, state, card.declared, counted_at=stamp.at - self.clock_moved
        )
        if card.known.changed:
            self.identity_changes[card_id] = card.known.changed
            card.epoch += 1
            card.older = []
            card.since = stamp.at
        if card.known.changed or card.known.corrections is not before or card.id == STANDARD.id:
            self._note(card_id, card, stamp.at)
        elif card.kept_at is None or stamp.at - card.kept_at >= KEEP_EVERY:
            self._due.add(card_id)
        return reading

    def lookup(self, name: str) -> CorrectionSet | None:
        """Return what a set's id stands for now; of one lost in a power cut, what its epoch came to."""
        found = self.sets.get(name)
        card, _, rest = name.partition("/")
        if found is not None or card not in self._cards:
            return found
        known = self._cards[card]
        return known.known.corrections if rest.partition("/")[0] == str(known.epoch) else None

    def corrections(self, card_id: str) -> CorrectionSet:
        """Return the set in force for a card."""
        return self._cards[card_id].known.corrections

    def corrections_id(self, card_id: str) -> str:
        """Return the id that readings of a card are kept under now."""
        return self._cards[card_id].id

    def knowledge(self, card_id: str) -> CardKnowledge:
        """Return what is known of a card, for whoever confirms it at the cabinet."""
        return self._cards[card_id].known

    def forget(self, card_id: str) -> None:
        """Unlearn what is known of a card, at a person's wish; the readings so far are then read by the standard."""
        card = self._cards[card_id]
        card.known.forget()
        for name in card.older:
            self.sets[name] = STANDARD
        self._due.add(card_id)

    @property
    def pending(self) -> bool:
        """Return whether there is something to be written to the ledger."""
        return bool(self._unsaved or self._due)

    def save(self, tx: Transaction, now: datetime, *, stopping: bool = False) -> None:  # noqa: ARG002 - as of all that is remembered
        """Write what is due into a transaction of the ledger."""
        for line in self._unsaved.values():
            tx.save_corrections(line)
        self._unsaved = {}
        for card_id in sorted(self._due):
            card = self._cards[card_id]
            card.kept_at = now
            body: dict[str, Any] = {"epoch": card.epoch, "id": card.id, "known": card.known.as_json()}
            if card.since is not None:
                body["since"] = card.since.isoformat()
            tx.learn(LearntFact(card_id, KNOWLEDGE, now, body=body))
        self._due.clear()

    def committed(self) -> None:
        """Do nothing: what a commit fails to write ends the service, and is learnt anew."""

    def move_clock(self, by: timedelta) -> None:
        """Take note of by how much the clock was set."""
        self.clock_moved += by

    def _note(self, card_id: str, card: _CardLearning, at: datetime) -> None:
        """Give the set in force its id, and let older ones of this epoch stand for it."""
        chosen = card.known.corrections
        card.id = f"{card_id}/{card.epoch}/{chosen.id}"
        self._due.add(card_id)
        names = [card.id] if chosen.stale else [card.id, *card.older]
        for name in names:
            self.sets[name] = chosen
            self._unsaved[name] = Corrections(name, card_id, at, body=chosen.as_json())
        if not chosen.stale and card.id not in card.older:
            card.older.append(card.id)

    def _declared(self, card_id: str, day: date) -> Declared:
        return declared_for(self._estate, card_id, day, self._overrides.get(card_id))
