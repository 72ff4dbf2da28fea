"""What `import back` takes and says: which import goes, and what becomes of it.

Readings go from the history, which the service alone writes; a log or measured blocks are one line of the ledger, and go at once.
"""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from api.commands.data.replaced import keep
from api.commands.exits import Exit, complain
from api.commands.shared import folder_of
from collector.assessment.evidence_files import taken_back
from collector.assessment.past.imports_known import brought_in, imports_in, logs_in
from collector.assessment.past.prepared import waiting
from collector.assessment.past.taking_back import ask_back
from collector.storage.data_folder import LEDGER_FILE
from collector.storage.database import StoreError
from collector.storage.ledger import Transaction
from collector.storage.ledger.discharge_record import shown_id
from collector.storage.ledger.records import Evidence
from collector.storage.store_files import whole
from rules.phrasing.dates import day_words


def import_back(options: argparse.Namespace, now: datetime) -> int:
    """Ask for an import back, by its id."""
    name, folder = str(options.file), folder_of(options)
    try:
        whole(folder)
        log = brought_in(folder / LEDGER_FILE, name)
        if log is not None:
            return _log_back(options, log, now)
        known = imports_in(folder / LEDGER_FILE)
        if name not in known and name not in {path.stem for path in waiting(folder)}:
            return complain(
                Exit.WRONG_INPUT,
                f"want the id of an import of this data folder; got {name!r}",
                *_lines(known, logs_in(folder / LEDGER_FILE)),
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


def _log_back(options: argparse.Namespace, log: Evidence, now: datetime) -> int:
    """Take a log or measured blocks back, with what was made of it; the line stays, and says who took it back."""
    words = _log_in_words(log)
    if options.look:
        print(f"{words}\nNothing was taken back.")
        return int(Exit.DONE)

    def write(tx: Transaction) -> None:
        tx.save_evidence(taken_back(log, options.by, now))
        tx.drop_evidence(shown_id(log.id))

    code = keep(options, write)
    if code == Exit.DONE:
        print(
            f"{words}\nIt is taken back. A service that runs on this data folder judges the bank without it within a minute; "
            "if none runs, its next start does."
        )
    return code


def _log_in_words(log: Evidence) -> str:
    what = {"hand": "measured blocks", "acceptance": "an acceptance test"}.get(log.kind, "a past discharge")
    return f"{log.id}: {what} of bank {log.bank} on {day_words(log.at.date())}, brought by {log.author}"


def _lines(known: Mapping[str, Mapping[str, Any]], logs: Sequence[Evidence]) -> list[str]:
    readings = [_in_words(name, body) for name, body in known.items()] or ["no readings were imported"]
    return [*readings, *(_log_in_words(log) for log in logs)]


def _in_words(name: str, body: Mapping[str, Any]) -> str:
    units = ", ".join(one["unit"] for one in body["units"])
    day = day_words(datetime.fromisoformat(body["at"]).date())
    return f"{name}: {body['file']}, {body['taken']:,} readings of {units}, imported by {body['by']} on {day}"
