"""What the ledger of a data folder has of imports, for commands: a service may run on it."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from collector.assessment.evidence_files import HAND_SCHEMA
from collector.assessment.past.taking import SNAPSHOT, known_imports
from collector.storage.ledger import rows as ledger_rows
from collector.storage.ledger.discharge_record import SCHEMA
from collector.storage.ledger.records import Evidence, Snapshot
from collector.storage.store_files import opened


def imports_in(ledger: Path) -> dict[str, Mapping[str, Any]]:
    """Return the imports that a ledger's file has, by id, oldest first; none where there is no file. Raises StoreError."""
    if not ledger.is_file():
        return {}
    connection = opened(ledger)
    try:
        kept = [line for line in ledger_rows.selected(connection, Snapshot) if line.name == SNAPSHOT]
    finally:
        connection.close()
    return dict(known_imports(kept[0].body if kept else None))


def logs_in(ledger: Path) -> tuple[Evidence, ...]:
    """Return the logs and measured blocks that somebody brought and that still count, oldest first. Raises StoreError."""
    if not ledger.is_file():
        return ()
    connection = opened(ledger)
    try:
        where = "WHERE author IS NOT NULL AND schema IN (?, ?) ORDER BY at"
        return ledger_rows.selected(connection, Evidence, where, (SCHEMA, HAND_SCHEMA))
    finally:
        connection.close()


def brought_in(ledger: Path, name: str) -> Evidence | None:
    """Return a log or measured blocks that somebody brought, by its id; None where there is none. Raises StoreError."""
    return next((log for log in logs_in(ledger) if log.id == name), None)
