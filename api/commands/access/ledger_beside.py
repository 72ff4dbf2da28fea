"""What commands about access share: the ledger of the data folder, beside a running service or not."""

from __future__ import annotations

import argparse
import asyncio
from collections.abc import Awaitable, Callable
from typing import TYPE_CHECKING

from api.commands.exits import Exit, complain
from api.commands.shared import folder_of

if TYPE_CHECKING:
    from collector.storage.ledger.access import AccessTables


def with_tables(options: argparse.Namespace, work: Callable[[AccessTables], Awaitable[int]]) -> int:
    """Return the exit code of `work` on the tables of access in the data folder; a running service sees it at once."""
    from collector.storage.data_folder import LEDGER_FILE  # noqa: PLC0415 - light starts
    from collector.storage.database import StoreError, make_folder  # noqa: PLC0415
    from collector.storage.ledger import Ledger  # noqa: PLC0415
    from collector.storage.ledger.access import AccessTables  # noqa: PLC0415
    from collector.storage.store_files import whole  # noqa: PLC0415

    async def done() -> int:
        folder = folder_of(options)
        make_folder(folder)
        whole(folder)
        async with Ledger(folder / LEDGER_FILE) as ledger:
            return await work(AccessTables(ledger))

    try:
        return asyncio.run(done())
    except StoreError as error:
        return complain(Exit.UNREACHABLE, str(error))
