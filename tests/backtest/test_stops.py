"""Two hundred stops of the whole service under load, by SIGTERM and SIGINT in turn. About twenty minutes.

pytest -s tests/backtest/test_stops.py
"""

from __future__ import annotations

import os
from pathlib import Path
from statistics import median

import pytest

from tests.trials.stops import stopped

TIMES = int(os.environ.get("STOPS", "200"))


@pytest.mark.slow
def test_two_hundred_stops_end_within_two_seconds_as_a_rule_and_five_at_most(tmp_path: Path) -> None:
    took_s = stopped(tmp_path, TIMES, seed=1)
    assert median(took_s) < 2.0
    assert max(took_s) < 5.0
