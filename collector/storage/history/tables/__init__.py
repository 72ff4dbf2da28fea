"""The default store's tables: `schema`, `names` (of units, lists and texts), `recent_rows`, `runs`, `lookup`."""
