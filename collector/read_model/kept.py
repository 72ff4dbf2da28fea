"""What the stores give, named once for whoever shows it: light to import, for commands that must start at once."""

from collector.messaging.delivery.letter import Telling
from collector.storage.database import StoreError
from collector.storage.history.store import Bucket, QuantityUnknownError
from collector.storage.ledger.records import JournalLine, Outgoing, Place, Sending

__all__ = [
    "Bucket",
    "JournalLine",
    "Outgoing",
    "Place",
    "QuantityUnknownError",
    "Sending",
    "StoreError",
    "Telling",
]
