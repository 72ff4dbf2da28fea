"""Commands about who may look and act: `user`, `token`; what they share is in `ledger_beside`."""
