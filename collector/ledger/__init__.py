"""What must never be lost, always in a local SQLite file whatever store keeps the history.

Read in this order: `records` (the values), `schema` (the tables), `rows` (values to rows and back),
`ledger` (the transaction and the reads).
"""

from collector.ledger.ledger import Ledger, Transaction

__all__ = ["Ledger", "Transaction"]
