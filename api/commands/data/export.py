"""Exact readings as they are understood today (corrections applied), or as they came on the wire; summaries by the
hour or the minute, which outlive the exact readings; or the ledger.

With an InfluxDB server: what it refused, in its line protocol with the reasons as comments, to be sent by hand."""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path
from typing import Final

from api.commands.exits import Exit, complain
from api.commands.shared import add_data, folder_of, moment
from collector.cards.mib.correction_set import CorrectionSet
from collector.cards.mib.interpretation import CardMeaning
from collector.storage.data_folder import SPOOL_FILE
from collector.storage.database import StoreError
from collector.storage.history.export.files import Form
from collector.storage.history.export.sums import By
from collector.storage.history.export.table_files import NotInstalledError
from collector.storage.history.influx.upkeep import take_refused
from collector.storage.maintenance.export import (
    ExportWanted,
    UnitUnknownError,
    corrections,
    export,
    export_ledger,
    export_sums,
    let_go,
)

REFUSED: Final = "refused"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("file", type=Path, metavar="FILE", help="where to write")
    parser.add_argument(
        "--form",
        choices=[*(form.value for form in Form), "ledger", REFUSED],
        default="csv",
        help="csv, parquet, wire values as JSON lines, the ledger as JSON lines, or what an InfluxDB server refused "
        "(default: csv)",
    )
    parser.add_argument(
        "--let-go",
        action="store_true",
        help="with refused: once the file is whole, offer these no more to the server, which ends the alarm",
    )
    parser.add_argument(
        "--by",
        choices=[by.value for by in By],
        help="summaries (min, mean, max, last, counts) by the hour or by the minute, instead of exact readings",
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
    if options.let_go and options.form != REFUSED:
        return complain(Exit.WRONG_INPUT, f"--let-go: goes with --form {REFUSED}; got --form {options.form}")
    if options.by is not None and options.form not in {Form.CSV, Form.PARQUET}:
        return complain(
            Exit.WRONG_INPUT, f"--by: summaries are written as csv or parquet; got {options.form}"
        )
    try:
        rows = _written(options, folder)
    except UnitUnknownError as error:
        return complain(Exit.WRONG_INPUT, str(error))
    except (StoreError, NotInstalledError) as error:
        return complain(Exit.UNREACHABLE, str(error))
    except OSError as error:
        return complain(Exit.UNREACHABLE, f"{options.file}: {error.strerror or error}")
    print(f"{options.file}: {rows} rows")
    return int(Exit.DONE)


def _written(options: argparse.Namespace, folder: Path) -> int:
    if options.form == REFUSED:
        return take_refused(folder / SPOOL_FILE, options.file, let_go=options.let_go)
    if options.form == "ledger":
        return export_ledger(folder, options.file)
    wanted = ExportWanted(options.unit)
    if options.start is not None:
        wanted = replace(wanted, start=options.start)
    if options.end is not None:
        wanted = replace(wanted, end=options.end)
    form, meaning = Form(options.form), _meaning(folder)
    if options.by is not None:
        return export_sums(
            folder, options.file, By(options.by), meaning, wanted, parquet=form is Form.PARQUET
        )
    rows = export(folder, options.file, form, meaning, wanted)
    for unit, first, last in let_go(folder, wanted):
        print(
            f"{unit}: exact readings of {first} to {last} were let go, but for those around power events; "
            "`--by minute` or `--by hour` exports the summaries that stand in their place",
            file=sys.stderr,
        )
    return rows


def _meaning(folder: Path) -> CardMeaning:
    """Return what the kept wire values mean, by the corrections in the ledger."""
    return CardMeaning(
        {name: CorrectionSet.from_json(line.body) for name, line in corrections(folder).items()}.get
    )
