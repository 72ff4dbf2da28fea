"""A minute of random mischief against the whole service; half an hour of it is in `tests/backtest/test_mischief.py`."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.trials.mischief import mischief
from tests.trials.tally import unharmed

pytestmark = [pytest.mark.real_server, pytest.mark.slow]


def test_a_minute_of_mischief_loses_nothing_and_leaves_no_unit_unread(tmp_path: Path) -> None:
    unharmed(mischief(tmp_path, minutes=1.2, seed=233, machine_s=2.0))
