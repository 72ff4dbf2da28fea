"""The names of the stores in a data folder. Imports nothing: commands that start light ask whether a file is there."""

from __future__ import annotations

from typing import Final

HISTORY_FILE: Final = "history.sqlite"
LEDGER_FILE: Final = "ledger.sqlite"
RESERVE_FILE: Final = "reserve"
SPOOL_FILE: Final = "spool.sqlite"
