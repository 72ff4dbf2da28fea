"""Where an InfluxDB server is, and what its failures mean in words of this program's."""

from __future__ import annotations

from dataclasses import dataclass
from http import HTTPStatus
from typing import Final

from collector.storage.database import StoreError, StoreFault

_NO_DATABASE: Final = ("database not found", "bucket not found")
"""How 1.x and 2.x say it within a reply of status 200 (`query`)."""


@dataclass(frozen=True, slots=True)
class InfluxPlace:
    """Where the server is, and where in it the readings go.

    `database` is the name for InfluxQL, where it differs from the bucket ("bucket/policy" on 1.8).
    """

    url: str
    bucket: str
    token: str = ""
    org: str = ""
    database: str | None = None
    policy: str | None = None
    timeout_s: float = 10.0

    def __repr__(self) -> str:
        """Leave the token out."""
        return f"InfluxPlace(url={self.url!r}, bucket={self.bucket!r})"

    @property
    def asked(self) -> str:
        """Return the database's name for InfluxQL."""
        return self.database or self.bucket

    def away(self, what: str) -> StoreError:
        """Return the error of a server that does not answer as it should."""
        return StoreError(self.url, StoreFault.AWAY, f"InfluxDB did not answer as it should ({what})")

    def failed(self, status: int | None, what: str) -> StoreError:
        """Return the error behind a status, or behind words of the server's."""
        if status in {HTTPStatus.UNAUTHORIZED, HTTPStatus.FORBIDDEN}:
            said = f"InfluxDB refuses this identity for database {self.asked!r} ({what})"
            return StoreError(self.url, StoreFault.REFUSED, said)
        if status == HTTPStatus.NOT_FOUND or any(words in what for words in _NO_DATABASE):
            return StoreError(
                self.url, StoreFault.MISSING, f"InfluxDB has no database {self.asked!r} ({what})"
            )
        return self.away(what)
