"""What every test stands on."""

import pytest
from hypothesis import settings

settings.register_profile("suite", deadline=None, derandomize=True)
settings.load_profile("suite")
"""No example is late on a busy machine, and the suite draws the same ones each time; `tests/backtest` draws anew."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with the modules that wait for servers and clocks: others compute meanwhile, and no long wait stands at the end."""
    waiting = {item.path for item in items if item.get_closest_marker("slow")}
    items.sort(key=lambda item: item.path not in waiting)
