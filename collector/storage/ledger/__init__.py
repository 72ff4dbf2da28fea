"""What must never be lost, always in a local SQLite file whatever store keeps the history.

Read in this order: `records` (the values), `discharge_record` (one discharge as it is kept), `schema` (the tables),
`rows` (values to rows and back), `whence` (for whom a change is made), `full_disk` (what a disk has not taken yet), `reserve` (and keeps through a kill),
`transaction` (what is written together), `queries` (the reads), `ledger` (keeps it), `access` (who may look and act), `retention` (what it lets go of, and when).
"""

from collector.storage.ledger.ledger import Ledger
from collector.storage.ledger.transaction import Transaction

__all__ = ["Ledger", "Transaction"]
