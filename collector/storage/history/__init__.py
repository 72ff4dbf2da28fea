"""History of readings behind one interface, kept as the cards sent them.

Floors, from the ground up: `store` (the interface and its values), `columns`, `buckets` (honest summaries of a span),
`codec` (columns of integers in few bytes), `rollup` and `sums` (summaries), `tables` (the default store's tables, and
what is read from them), `places`, `compaction` (how rows move between them), `repair` and `export`, `sqlite` (the
default store), `influx` (the store for larger estates), `open_store` (the one that an estate file names).
"""
