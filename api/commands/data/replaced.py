"""Writes a dated event and prints the lines of the estate file to change; until file and event agree an alarm says so."""

from __future__ import annotations

import argparse
import asyncio
from collections.abc import Callable
from datetime import UTC, datetime

from api.commands.exits import Exit, complain
from api.commands.shared import add_data, add_estate, estate_or_faults, folder_of, moment
from api.http import said
from collector.assessment.evidence_files import lines_to_change, replaced
from collector.configuration import ConfigError
from collector.storage.data_folder import LEDGER_FILE
from collector.storage.database import StoreError, make_folder
from collector.storage.ledger import Ledger, Transaction
from collector.storage.store_files import whole


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument(
        "place", metavar="PLACE", help="id of the unit or bank whose cabinet or blocks were replaced"
    )
    parser.add_argument(
        "--with", dest="what", metavar="MODEL", help="the new model or type (left out: the same again)"
    )
    add_dated(parser)


def add_dated(parser: argparse.ArgumentParser) -> None:
    """Declare when, who and why, alike for every dated event."""
    parser.add_argument("--on", type=moment, metavar="DAY", help="the day (default: today)")
    parser.add_argument("--by", required=True, type=said.name, metavar="NAME", help="who says so")
    parser.add_argument("--note", default="", type=said.note, metavar="TEXT", help="a remark to keep with it")
    add_estate(parser)
    add_data(parser)


def run(options: argparse.Namespace) -> int:
    """Record the replacement."""
    configuration, faults = estate_or_faults(options.estate)
    if configuration is None:
        return complain(Exit.WRONG_INPUT, *faults)
    now = datetime.now(UTC)
    try:
        event = replaced(
            configuration.estate,
            options.place,
            options.on or now,
            options.by,
            now,
            what=options.what,
            note=options.note,
        )
    except ConfigError as error:
        return complain(Exit.WRONG_INPUT, *(str(fault) for fault in error.faults))
    code = keep(options, lambda tx: tx.add_equipment(event))
    if code == Exit.DONE:
        print(f"recorded: {options.place} replaced on {event.at.date()}. Change {options.estate}:\n")
        print(lines_to_change(configuration.estate, event))
    return code


def keep(options: argparse.Namespace, write: Callable[[Transaction], None]) -> int:
    """Write to the ledger of the data folder, beside a running service or not; return the exit code."""

    async def kept() -> None:
        folder = folder_of(options)
        make_folder(folder)
        whole(folder)
        async with Ledger(folder / LEDGER_FILE) as ledger, ledger.transaction(at_once=True) as tx:
            write(tx)

    try:
        asyncio.run(kept())
    except StoreError as error:
        return complain(Exit.UNREACHABLE, str(error))
    return int(Exit.DONE)
