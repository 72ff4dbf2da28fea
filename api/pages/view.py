"""What is shown now, made once for all who look; what is remembered between two looks goes with its service."""

from __future__ import annotations

from typing import Final
from weakref import WeakKeyDictionary

from collector.read_model.sheet import Sheet
from collector.read_model.snapshot import Showing
from collector.read_model.source import SheetSource

_SHOWING: Final[WeakKeyDictionary[SheetSource, Showing]] = WeakKeyDictionary()


async def shown(service: SheetSource) -> Sheet:
    """Return what a service shows now."""
    return await _SHOWING.setdefault(service, Showing()).sheet(service)
