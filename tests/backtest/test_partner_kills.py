"""A hundred kills of a process that writes to a history and a ledger which know each other; none looks like a loss."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.collector.storage.test_partner import kills


@pytest.mark.parametrize("seed", range(5))
def test_no_kill_of_a_hundred_looks_like_a_loss(tmp_path: Path, seed: int) -> None:
    kills(tmp_path, 20, seed)
