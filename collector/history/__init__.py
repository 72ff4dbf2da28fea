"""History of readings behind one interface, kept as the cards sent them.

Read in this order: `store` (the interface and its values), `buckets` (honest summaries of a span),
`columns`, `coding`, `bundle` and `runs` (how readings become columns of integers, and those few bytes),
`chunk` (the quick form for hours), `rollup` and `sums` (summaries), `names`, `hot`, `tables` and `lookup` (the default store's
tables, and what is read from them), `places`, `steps`, `due`, `rewriting`, `cooling` and `fold` (how rows move between them),
`sqlite` (the default store itself), `verify`, `sound_rows`, `rescue`, `export`, `export_sums` and `table_files`; and
the store for larger estates: `influx_lines` (readings as the server takes them), `influx_access`, `influx_spool`,
`influx_sender` (on the way to it), `influx` (itself), `influx_upkeep`. `chosen` opens the store that an estate file names.
"""
