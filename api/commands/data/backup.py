"""Each copy is one consistent view, taken while the service runs. Its pages are checked after writing; chunks and lines
are copied as they are, and `verify --data DEST` reads them all."""

from __future__ import annotations

import argparse
from pathlib import Path

from api.commands.exits import Exit, complain
from api.commands.shared import add_data, folder_of
from collector.storage.database import StoreError
from collector.storage.maintenance.backup import backup, restore


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("destination", type=Path, metavar="DEST", help="a new or empty folder")
    add_data(parser)
    parser.add_argument(
        "--with-access",
        action="store_true",
        help="copy users, sessions and tokens too (as hashes); else a restored backup knows nobody",
    )
    parser.add_argument(
        "--restore",
        action="store_true",
        help="the other way: put the backup in DEST into the data folder, which has no stores yet",
    )


def run(options: argparse.Namespace) -> int:
    """Copy, or put back."""
    folder = folder_of(options)
    try:
        if options.restore:
            found = restore(options.destination, folder)
            print(
                f"{folder}: {', '.join(found.files)} put back; {found.rows} rows verified, {len(found.findings)} findings"
            )
            return int(Exit.BAD_NEWS if found.findings else Exit.DONE)
        made = backup(folder, options.destination, with_access=options.with_access)
    except StoreError as error:
        return complain(Exit.UNREACHABLE, str(error))
    except OSError as error:
        return complain(Exit.UNREACHABLE, f"{options.destination}: {error.strerror or error}")
    for name, (size, digest) in made.files.items():
        print(f"{made.folder / name}  {size} bytes  sha256 {digest}")
    return int(Exit.DONE)
