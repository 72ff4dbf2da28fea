"""What an answer of a card is in the history, and what it means: a reading, a silence, or a fault."""

from __future__ import annotations

from datetime import timedelta

from collector.cards.corrections.learning import Learning
from collector.cards.mib.wire_values import WireState, as_kept
from collector.cards.polling.poller import Answer
from collector.storage.history.store import WireReading
from rules.monitor.clock_moved import moved
from rules.plant.estate import Estate
from rules.plant.reading import Fault, Sample, Silence


class Samples:
    """Knows what each card said so far, of which one answer tells a part only."""

    def __init__(self, estate: Estate, learning: Learning) -> None:
        self._estate = estate
        self._learning = learning
        self._wire: dict[str, WireState] = {}

    def move_clock(self, by: timedelta) -> None:
        """Move along what was noted before the clock was set."""
        self._wire = moved(self._wire, by)

    def of(self, answer: Answer) -> tuple[WireReading, Sample]:
        """Return what is kept and what is meant, for the unit a card speaks for.

        A card that covers several units speaks under the first of them.
        """
        card = self._estate.cards[answer.card]
        unit = card.covers[0]
        corrections = self._learning.corrections_id(card.id)
        if answer.fault is not None:
            kept = WireReading(unit, answer.stamp, answer.period_s, corrections, silence=answer.fault)
            return kept, Fault(unit, answer.stamp, answer.fault)
        if answer.wire is None:
            why = answer.silence or "no answer"
            kept = WireReading(unit, answer.stamp, answer.period_s, corrections, silence=why)
            return kept, Silence(unit, answer.stamp, why)
        state = self._wire.get(card.id, WireState()).after(answer.wire, answer.stamp.at)
        self._wire[card.id] = state
        meant: Sample
        try:
            meant = self._learning.interpret(card.id, unit, answer.stamp, state)
            corrections = self._learning.corrections_id(card.id)
        except Exception as error:  # noqa: BLE001 - the boundary: one card's values must not stop the others
            meant = Fault(unit, answer.stamp, f"{type(error).__name__}: {error}")
        return WireReading(unit, answer.stamp, answer.period_s, corrections, as_kept(answer.wire)), meant
