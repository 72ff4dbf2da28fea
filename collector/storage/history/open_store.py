"""The store of readings that an estate file chooses: a local file, or an InfluxDB server with a spool before it."""

from __future__ import annotations

from pathlib import Path

from collector.configuration import Configuration
from collector.configuration.secrets import Login, Token
from collector.storage.data_folder import HISTORY_FILE, SPOOL_FILE
from collector.storage.history.influx.access import InfluxPlace
from collector.storage.history.influx.store import InfluxHistory
from collector.storage.history.sqlite import SqliteHistory
from collector.storage.history.store import Meaning


def chosen_history(
    configuration: Configuration, folder: Path, meaning: Meaning, *, only_reads: bool = False
) -> SqliteHistory | InfluxHistory:
    """Open the store. Raises `collector.storage.database.StoreError`.

    `only_reads`: for a command on the folder of a collector that may run; what waits in its spool stays to it.
    """
    table = configuration.history
    if table.store == "influxdb":
        spool = folder / SPOOL_FILE
        return InfluxHistory(spool, influx_place(configuration), meaning, only_reads=only_reads)
    return SqliteHistory(folder / HISTORY_FILE, meaning, exact_days=table.keep_days)


def influx_place(configuration: Configuration) -> InfluxPlace:
    """Return the place; a user and password become the token "user:password" that version 1.8 takes."""
    table = configuration.history
    secret = None if table.secret is None else configuration.secrets.get(table.secret)
    token = ""
    if isinstance(secret, Token):
        token = secret.token.reveal()
    elif isinstance(secret, Login):
        token = f"{secret.user.reveal()}:{secret.password.reveal()}"
    return InfluxPlace(
        url=table.url or "", bucket=table.database or "ridethrough", token=token, org=table.organisation or ""
    )
