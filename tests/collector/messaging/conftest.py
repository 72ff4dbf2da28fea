"""Delivery is tested against real servers; what their libraries leave to the garbage collector is collected here."""

from __future__ import annotations

import gc
import warnings
from collections.abc import Iterator

import pytest


@pytest.fixture(autouse=True)
def _swept(request: pytest.FixtureRequest) -> Iterator[None]:
    """Collect after a test of mail or brokers, so that no later test is blamed for an open socket of theirs."""
    yield
    if request.node.path.name in (
        "test_mail.py",
        "test_mqtt.py",
        "test_down_for_an_hour.py",
        "test_neighbours.py",
    ):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ResourceWarning)
            gc.collect()
