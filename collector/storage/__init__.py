"""What is kept on disk, whatever happens to the process.

Floors, from the ground up: `data_folder`, `opening_room` (that opening takes), `folder_lock`, `database` (SQLite as
we use it), `ledger` (what must never be lost), `history` (readings), `partner` (neither is lost unnoticed),
`store_files` (both opened for a command), `maintenance` (backup, export, folding, letting go).
"""
