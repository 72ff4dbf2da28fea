"""Every page, chunk and row is read. Exit code 10 means damage was found; the damaged files are left as they are."""

from __future__ import annotations

import argparse
from pathlib import Path

from api.commands.exits import Exit, complain
from api.commands.shared import add_data, folder_of
from collector.storage.database import StoreError
from collector.storage.maintenance.backup import rescue, verify


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    add_data(parser)
    parser.add_argument(
        "--rescue", type=Path, metavar="DIR", help="copy everything sound into this new data folder"
    )


def run(options: argparse.Namespace) -> int:
    """Check the stores; say what is affected; rescue the rest if asked."""
    folder = folder_of(options)
    try:
        found = verify(folder)
        for finding in found.findings:
            print(f"{finding.where}: {finding.what}")
        print(
            f"{folder}: {', '.join(found.files)}: {found.rows} rows and {found.chunks} chunks read, {len(found.findings)} findings"
        )
        if options.rescue is not None:
            left = rescue(folder, options.rescue)
            for finding in left:
                print(f"left behind: {finding.where}: {finding.what}")
            print(f"the rest is in {options.rescue}")
    except StoreError as error:
        return complain(Exit.UNREACHABLE, str(error))
    return int(Exit.BAD_NEWS if found.findings else Exit.DONE)
