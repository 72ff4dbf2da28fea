"""How fast the cards are read: faster while a system is on its banks, at once where the watch wants to know more."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Final

from collector.cards.polling.poller import Poller
from rules.monitor.outputs import Change, PollNow
from rules.plant.estate import Estate

USUAL_S: Final = 5.0
"""What a unit that no poller reads is taken to be read at."""


class PollUrgency:
    """The care for the pollers, by card; whoever opens the cards fills them in."""

    def __init__(self, estate: Estate, pollers: Mapping[str, Poller]) -> None:
        self._estate = estate
        self._pollers = pollers

    def period_s(self, unit: str) -> float:
        """Return how often a unit is read now."""
        poller = self._poller(unit)
        return USUAL_S if poller is None else poller.period_s

    def shortest_s(self) -> float:
        """Return the shortest period that any unit is ever read at."""
        cadences = (poller.cadence for poller in self._pollers.values())
        return min([USUAL_S, *(min(one.every_s, one.on_battery_every_s) for one in cadences)])

    def hurry(self, system: str, *, urgent: bool) -> None:
        """Read the cards of a system fast while it is on battery or in a test."""
        for unit in self._estate.units_of(system):
            poller = self._poller(unit.id)
            if poller is not None and poller.urgent != urgent:
                poller.urgent = urgent
                if urgent:
                    poller.poke()

    def poke(self, changes: Iterable[Change]) -> None:
        """Read at once the units that the watch wants to know more of."""
        for change in changes:
            if isinstance(change, PollNow):
                for unit in change.units:
                    poller = self._poller(unit)
                    if poller is not None:
                        poller.poke()

    def _poller(self, unit: str) -> Poller | None:
        card = self._estate.card_of(unit)
        return None if card is None else self._pollers.get(card.id)
