"""Opens copies of an old store; each process is killed before another statement of the steps that bring it up.

Usage: killed_opening.py FILE FOLDER. Leaves FOLDER/0/history.sqlite and so on, as many as there are statements.
"""

import os
import shutil
import signal
import sqlite3
import sys
from functools import partial
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[4]))

from collector.storage.database import Database
from collector.storage.history.tables.schema import STEPS


class Dying(sqlite3.Connection):
    """A connection whose process is killed before the statement of that number within a transaction."""

    at = 0
    seen = -1

    def execute(self, sql: str, *values: Any) -> sqlite3.Cursor:
        """Run a statement, or die."""
        if sql.startswith("BEGIN"):
            self.seen = 0
        elif self.seen >= 0:
            if self.seen == Dying.at:
                os.kill(os.getpid(), signal.SIGKILL)
            self.seen += 1
        return super().execute(sql, *values)


def main(source: Path, folder: Path) -> None:
    version = sqlite3.connect(source).execute("PRAGMA user_version").fetchone()[0]
    sqlite3.connect = partial(sqlite3.connect, factory=Dying)  # type: ignore[assignment]
    number = 0
    while True:
        copy = folder / str(number) / "history.sqlite"
        copy.parent.mkdir()
        shutil.copyfile(source, copy)
        child = os.fork()
        if child == 0:
            Dying.at = number
            Database(copy, STEPS[: version + 1]).close_now()
            os._exit(0)
        _, status = os.waitpid(child, 0)
        if not os.WIFSIGNALED(status):
            return
        number += 1


main(Path(sys.argv[1]), Path(sys.argv[2]))
