"""What `import back` takes and says: which import goes, and what becomes of it."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from api.commands.exits import Exit, complain
from api.commands.shared import folder_of
from collector.assessment.past.imports_known import imports_in
from collector.assessment.past.prepared import waiting
from collector.assessment.past.taking_back import ask_back
from collector.storage.data_folder import LEDGER_FILE
from collector.storage.database import StoreError
from collector.storage.store_files import whole
from rules.phrasing.dates import day_words


def import_back(options: argparse.Namespace, now: datetime) -> int:
    """Ask for an import back, by its id."""
    name, folder = str(options.file), folder_of(options)
    try:
        whole(folder)
        known = imports_in(folder / LEDGER_FILE)
        if name not in known and name not in {path.stem for path in waiting(folder)}:
            return complain(
                Exit.WRONG_INPUT,
                f"want the id of an import of this data folder; got {name!r}",
                *_lines(known),
            )
        words = (
            _in_words(name, known[name]) if name in known else f"{name}: it waits, and was not taken on yet"
        )
        if options.look:
            print(f"{words}\nNothing was taken back.")
            return int(Exit.DONE)
        new = ask_back(folder, name, options.by, now)
    except StoreError as error:
        return complain(Exit.UNREACHABLE, str(error))
    except OSError as error:
        return complain(Exit.UNREACHABLE, f"{error.filename or folder}: {error.strerror or error}")
    print(words)
    print(
        "A service that runs on this data folder takes it back within a minute for 50,000 rows (not while a system is on its "
        "banks) and says so in the journal; if none runs, its next start does. Nothing that a card gave is touched."
        if new
        else "It was asked back before, and waits for the service."
    )
    return int(Exit.DONE)


def _lines(known: Mapping[str, Mapping[str, Any]]) -> list[str]:
    return [_in_words(name, body) for name, body in known.items()] or ["no readings were imported"]


def _in_words(name: str, body: Mapping[str, Any]) -> str:
    units = ", ".join(one["unit"] for one in body["units"])
    day = day_words(datetime.fromisoformat(body["at"]).date())
    return f"{name}: {body['file']}, {body['taken']:,} readings of {units}, imported by {body['by']} on {day}"
