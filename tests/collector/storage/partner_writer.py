"""Writes to a history and a ledger that are joined, as fast as it goes, until it is killed. See `test_partner`."""

from __future__ import annotations

import sys
import threading
from pathlib import Path

from collector.storage.data_folder import HISTORY_FILE, LEDGER_FILE
from collector.storage.database import Database
from collector.storage.history.tables.schema import STEPS
from collector.storage.ledger import Ledger
from collector.storage.partner import counted, join, losses, refuse
from collector.storage.store_files import opened


def write(folder: Path) -> None:
    """Start as the service does, and commit to both at once."""
    refuse(folder, losses(folder, opened), None)
    ledger = Ledger(folder / LEDGER_FILE).database
    history = Database(folder / HISTORY_FILE, STEPS)
    history.sealing = counted
    join(history, ledger)

    def keep(store: Database, statement: str) -> None:
        while True:
            store.write_now(lambda connection: connection.execute(statement))

    line = "INSERT INTO engines VALUES (hex(randomblob(16)), 1, 1, 1, 1)"
    threading.Thread(target=keep, args=(ledger, line), daemon=True).start()
    keep(history, "INSERT INTO texts (kind, value) VALUES (0, randomblob(16))")


if __name__ == "__main__":
    print("ready", flush=True)
    sys.stdin.readline()
    print("goes", flush=True)
    write(Path(sys.argv[1]))
