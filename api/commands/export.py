"""Exact readings as they are understood today (corrections applied), or as they came on the wire; or the ledger."""

from __future__ import annotations

import argparse
import asyncio
from pathlib import Path

from api.commands.shared import add_data, folder_of, moment
from api.exits import Exit, complain
from collector.database import StoreError
from collector.history.export import Form, NotInstalledError
from collector.ledger import Ledger
from collector.snmp.corrections import CorrectionSet
from collector.snmp.meaning import CardMeaning
from collector.upkeep import LEDGER_FILE, UnitUnknownError, export, export_ledger


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("file", type=Path, metavar="FILE", help="where to write")
    parser.add_argument(
        "--form",
        choices=[*(form.value for form in Form), "ledger"],
        default="csv",
        help="csv, parquet, wire values as JSON lines, or the ledger as JSON lines (default: csv)",
    )
    parser.add_argument(
        "--unit", action="append", default=[], metavar="ID", help="only this unit; may be given several times"
    )
    parser.add_argument("--from", dest="start", type=moment, metavar="TIME", help="from this time on")
    parser.add_argument("--to", dest="end", type=moment, metavar="TIME", help="up to this time")
    add_data(parser)


def run(options: argparse.Namespace) -> int:
    """Write the file and say how many rows it holds."""
    folder = folder_of(options)
    try:
        if options.form == "ledger":
            rows = export_ledger(folder, options.file)
        else:
            meaning = asyncio.run(_meaning(folder))
            rows = export(
                folder,
                options.file,
                Form(options.form),
                meaning,
                units=options.unit,
                start=options.start,
                end=options.end,
            )
    except UnitUnknownError as error:
        return complain(Exit.WRONG_INPUT, str(error))
    except (StoreError, NotInstalledError) as error:
        return complain(Exit.UNREACHABLE, str(error))
    except OSError as error:
        return complain(Exit.UNREACHABLE, f"{options.file}: {error.strerror or error}")
    print(f"{options.file}: {rows} rows")
    return int(Exit.DONE)


async def _meaning(folder: Path) -> CardMeaning:
    """Return what the kept wire values mean, by the corrections in the ledger."""
    if not (folder / LEDGER_FILE).is_file():
        return CardMeaning(lambda _name: None)
    async with Ledger(folder / LEDGER_FILE) as ledger:
        found = {
            name: CorrectionSet.from_json(line.body) for name, line in (await ledger.corrections()).items()
        }
    return CardMeaning(found.get)
