"""The daemon whole: `card_readers` (each card of the estate file, as it is read), `self_monitoring`, `generator_watch`,
`stores` (opened), `assembly` (all parts made and joined), `parts` (those that are asked), `service` (started and
stopped, and what `api` may touch), `read_once` (cards read once, for a person at a cabinet); `centre` (several sites, heard and shown).
"""
