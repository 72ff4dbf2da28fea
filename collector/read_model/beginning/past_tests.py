"""A past test that somebody brings: read, and kept as evidence of its bank, or refused with every fault in it.

The same as `ridethrough import` does from beside a running service; it is judged within a minute.
"""

from __future__ import annotations

import asyncio
from datetime import datetime
from typing import Literal

from collector.assessment.evidence_files import imported_discharge
from collector.configuration.faults import ConfigError
from collector.storage.ledger.discharge_record import shown_id
from collector.storage.ledger.ledger import Ledger
from rules.plant.estate import Estate

Brought = Literal["import", "acceptance"]


class PastTestError(ValueError):
    """What was brought cannot be read; the text names each fault with its line and the remedy."""


async def keep_past_test(
    ledger: Ledger, estate: Estate, bank: str, text: str, *, at: datetime, by: str, kind: Brought
) -> str:
    """Keep a logged discharge of a bank, whose first row is of `at`; return its id. Raises PastTestError."""
    try:
        line = await asyncio.to_thread(
            imported_discharge, estate, bank, at, by, text=text, name="the test", kind=kind
        )
    except ConfigError as error:
        raise PastTestError("; ".join(str(fault) for fault in error.faults)) from error
    async with ledger.transaction(at_once=True) as tx:
        tx.save_evidence(line)
        tx.drop_evidence(shown_id(line.id))  # a log that is put right is judged anew
    return line.id
