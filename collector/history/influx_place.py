"""Where the InfluxDB server is that an estate file names."""

from __future__ import annotations

from collector.configuration import Configuration
from collector.configuration.secrets import Login, Token
from collector.history.influx_access import InfluxPlace


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
