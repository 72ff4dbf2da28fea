"""Half an hour of random mischief against the whole service, by a seed. Prints what is done and seen, by the second.

MISCHIEF_MINUTES=30 MISCHIEF_SEED=8470 pytest -s tests/backtest/test_mischief.py
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.trials.mischief import DECK, mischief
from tests.trials.tally import unharmed

MINUTES = float(os.environ.get("MISCHIEF_MINUTES", "30"))
SEED = int(os.environ.get("MISCHIEF_SEED", "8470"))


@pytest.mark.slow
@pytest.mark.real_server
def test_half_an_hour_of_mischief_loses_nothing_and_leaves_no_unit_unread(tmp_path: Path) -> None:
    seen = mischief(tmp_path, minutes=MINUTES, seed=SEED)
    assert MINUTES < 30 or set(seen.done) == set(DECK)
    unharmed(seen)
