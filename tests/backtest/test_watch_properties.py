"""What holds of the watch whatever happens, over many more stories than the ordinary suite has time for.

`pytest tests/backtest/test_watch_properties.py`
"""

from __future__ import annotations

from hypothesis import given, settings

from tests.rules.monitor.properties import ORDERS, SCENES, everything_is_told, order_does_not_matter


@settings(max_examples=300, deadline=None)
@given(order=ORDERS)
def test_no_order_of_simultaneous_readings_changes_the_incidents(order: list[int]) -> None:
    order_does_not_matter(order)


@settings(max_examples=1000, deadline=None)
@given(scene=SCENES)
def test_no_path_leads_to_an_active_alarm_that_nobody_was_told_of(
    scene: list[tuple[str, str, float]],
) -> None:
    everything_is_told(scene)
