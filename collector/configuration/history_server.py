"""The server that keeps the readings, where the estate file names one."""

from __future__ import annotations

from collector.configuration.loading import Configuration
from collector.configuration.secrets import Login, Token
from collector.storage.history.influx.access import InfluxPlace


def history_server(configuration: Configuration) -> InfluxPlace | None:
    """Return its place, None for the local file; a user and password become the token "user:password" of version 1.8."""
    table = configuration.history
    if table.store != "influxdb":
        return None
    secret = None if table.secret is None else configuration.secrets.get(table.secret)
    token = ""
    if isinstance(secret, Token):
        token = secret.token.reveal()
    elif isinstance(secret, Login):
        token = f"{secret.user.reveal()}:{secret.password.reveal()}"
    return InfluxPlace(
        url=table.url or "", bucket=table.database or "ridethrough", token=token, org=table.organisation or ""
    )
