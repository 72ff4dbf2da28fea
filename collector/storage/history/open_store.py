"""The store of readings that a site chose: a local file, or an InfluxDB server with a spool before it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from collector.storage.data_folder import HISTORY_FILE, SPOOL_FILE
from collector.storage.history.influx.access import InfluxPlace
from collector.storage.history.sqlite import SqliteHistory
from collector.storage.history.store import Meaning

if TYPE_CHECKING:
    from collector.storage.history.influx.store import InfluxHistory


def open_store(
    folder: Path,
    meaning: Meaning,
    *,
    exact_days: int | None,
    server: InfluxPlace | None = None,
    only_reads: bool = False,
) -> SqliteHistory | InfluxHistory:
    """Open the store: at `server` where one is given. Raises `collector.storage.database.StoreError`.

    `exact_days`: how long the local file keeps every reading as it came; None: for ever. `only_reads`: for a command on
    the folder of a collector that may run; what waits in its spool stays to it.
    """
    if server is not None:
        # the server's client takes a quarter of a second of processor and 13 MB: of a site that has one alone
        from collector.storage.history.influx.store import InfluxHistory  # noqa: PLC0415

        return InfluxHistory(folder / SPOOL_FILE, server, meaning, only_reads=only_reads)
    return SqliteHistory(folder / HISTORY_FILE, meaning, exact_days=exact_days)
