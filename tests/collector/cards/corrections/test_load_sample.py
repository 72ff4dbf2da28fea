"""What one poll can say of scales."""

from datetime import UTC, datetime

import pytest

from collector.cards.corrections.load_sample import load_sample
from collector.cards.corrections.sample import Sample


def poll(source: int, watts: float) -> Sample:
    """Return a poll of a card rated 10 kVA and 10 kW, its percent ended at 200 as the standard has it."""
    values = {"upsConfigOutputVA": 10_000.0, "upsConfigOutputPower": 10_000.0}
    for line in (1, 2, 3):
        values |= {
            f"upsOutputVoltage.{line}": 230.0,
            f"upsOutputCurrent.{line}": watts / 0.93 / 230.0,
            f"upsOutputPower.{line}": watts,
            f"upsOutputPercentLoad.{line}": min(100.0 * watts / 0.93 / (10_000.0 / 3), 200.0),
        }
    return Sample(datetime(2026, 3, 1, tzinfo=UTC), values, source, 0.0)


@pytest.mark.parametrize(
    ("source", "watts", "says"), [(4, 6900.0, False), (4, 2300.0, True), (3, 6900.0, True)]
)
def test_what_a_bypass_carries_beyond_the_rating_says_nothing_of_scales(
    source: int, watts: float, says: bool
) -> None:
    assert (load_sample(poll(source, watts)) is not None) is says
