"""What the stores give, named once for whoever shows it: light to import, for commands that must start at once."""

from collector.messaging.delivery.letter import Telling
from collector.storage.database import StoreError
from collector.storage.history.store import Bucket, QuantityUnknownError
from collector.storage.ledger.access import AccessTables, SignedIn, digest
from collector.storage.ledger.records import (
    AccessToken,
    JournalLine,
    Outgoing,
    Place,
    Sending,
    SessionLine,
    UserLine,
)
from collector.storage.ledger.whence import ASKED, Whence, asking

__all__ = [
    "ASKED",
    "AccessTables",
    "AccessToken",
    "Bucket",
    "JournalLine",
    "Outgoing",
    "Place",
    "QuantityUnknownError",
    "Sending",
    "SessionLine",
    "SignedIn",
    "StoreError",
    "Telling",
    "UserLine",
    "Whence",
    "asking",
    "digest",
]
