"""The smallest stories in which something false was once said: each is played again, and must be sound.

`kinds`: what of it was false; only that is looked at, lest an interval of 90 % that misses once in twenty be a failure.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from collector.simulation.cards.faulty_cards import Lie
from collector.simulation.scenario.director import MainsFails, MainsReturns
from tests.audit.happenings import InputCloses, InputOpens
from tests.audit.stories import Story, StoryCue


@dataclass(frozen=True)
class Found:
    """What was wrong, the story, and the kinds of statements that were false in it."""

    what: str
    story: Story
    kinds: tuple[str, ...]


FOUND: Final = (
    Found(
        "a bank at two fifths of its capacity, tested as such, was promised half as long again once it carried",
        Story(1, 7, (StoryCue(40, MainsFails("mains")),), 120.0),
        ("ends", "reason on_battery_holds"),
    ),
    Found(
        "above its table a worn bank was promised up to twice the time that it gives with a unit lost",
        Story(2, 7, (), 45.0),
        ("hold-up one lost", "hold-up unit lost"),
    ),
    Found(
        "spent at half the load, a bank was said to hold the whole for 53 s at the least, and held it for 4",
        Story(9, 9, (StoryCue(40, InputOpens("works-1")), StoryCue(225, InputCloses("works-1"))), 330.0),
        ("hold-up one lost", "hold-up unit lost", "reason holds_one_lost"),
    ),
    Found(
        "in the second outage of a night a worn bank was promised two thirds more than it held: both outages showed the same wrong level",
        Story(
            43,
            8,
            (
                StoryCue(77, MainsFails("mains")),
                StoryCue(167, MainsReturns("mains")),
                StoryCue(265, MainsFails("mains")),
            ),
            345.0,
        ),
        ("ends", "reason on_battery_holds"),
    ),
    Found(
        "a quarter above its table a worn bank was promised 12 s at the least with a unit lost, and gave 5",
        Story(61, 48, (), 20.0),
        ("hold-up one lost", "hold-up unit lost", "reason fails_one_lost", "reason holds_with_one_lost"),
    ),
    Found(
        "a bank whose blocks print 5 minutes at their most was not called too small for 20 at a hundredth more",
        Story(61, 51, (), 20.0),
        ("bank too_small",),
    ),
    Found(
        "an order by the risk of one in twenty was taken for false, although the bank ended in the middle of the span told",
        Story(61, 96, (), 140.0),
        ("alarm bank_order_now", "reason bank_order_now"),
    ),
    Found(
        "of a bank worn to a third it was said that it fails with its partner lost, where it held six times what is needed",
        Story(61, 243, (), 40.0),
        ("reason fails_one_lost", "alarm requirement_not_met"),
    ),
    Found(
        "of a card that sends tenths, -1 for unknown came as 10 degrees below zero: a bank was called too small and aged slower",
        Story(61, 110, (), 30.0, {"depot-2-card": (Lie.SENTINEL_MINUS_ONE, Lie.TEMPERATURE_TENTHS)}),
        ("bank asked_fraction", "bank dates", "bank too_small", "reason blocks_give_less"),
    ),
)
