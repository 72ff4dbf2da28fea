"""What holds of the loss of any store, whichever pair it belongs to."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Protocol

import pytest

from collector.storage.database import StoreError, StoreFault
from collector.storage.maintenance.backup import verify
from collector.storage.partner import losses
from collector.storage.store_files import opened


class Started(Protocol):
    """A start on a folder that commits to both stores and ends."""

    def __call__(self, folder: Path, accepted: str | None = None) -> None: ...


def lost_in(folder: Path) -> list[str]:
    return [loss.store for loss in losses(folder, opened)]


def refused_until_accepted(
    folder: Path, started: Started, lose: Callable[[Path], object], store: str, other: str
) -> None:
    """Hold that a loss is found, refused with its remedy, and asked about once."""
    assert lost_in(folder) == []
    lose(folder)
    assert lost_in(folder) == [store]
    assert any(finding.where == f"the {store}" for finding in verify(folder).findings)
    for accepted in (None, other):
        with pytest.raises(StoreError, match=f"--accept-loss {store}") as refused:
            started(folder, accepted)
        assert refused.value.fault is StoreFault.PARTNER_LOST
    started(folder, store)
    assert lost_in(folder) == []
    assert not [finding for finding in verify(folder).findings if finding.where.startswith("the ")]
    started(folder)  # and is asked once
    assert lost_in(folder) == []
