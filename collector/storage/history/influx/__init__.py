"""The store for larger estates: `lines` (readings as the server takes them), `access`, `spool`, `sender` (on the way to
it), `store` (itself), `upkeep`.
"""
