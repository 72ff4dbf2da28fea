"""Of each bank that is known well enough it says which discharge moves the day to order, by how much and with what probability,
and what it risks; of the others, why none does. Discharges of one site are put into few visits, never two units of one
system, or of partners, on one day. A person makes them; ridethrough sends no test to any card. It goes by the newest
readings in the data folder, whether the service runs or not."""

from __future__ import annotations

import argparse
import asyncio
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from api.commands.exits import Exit, complain
from api.commands.shared import add_data, estate_or_faults, folder_of

if TYPE_CHECKING:
    from collector.configuration import Configuration
    from rules.battery.state import BankState
    from rules.planning.programme.programme import Programme


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("estate", type=Path, metavar="ESTATE.toml", help="the estate file")
    parser.add_argument("--json", action="store_true", help="JSON for scripts")
    add_data(parser)


def run(options: argparse.Namespace) -> int:
    """Judge the banks and print the visits."""
    from collector.read_model.stored import NothingStoredError  # noqa: PLC0415 - with what follows, only when used
    from collector.storage.database import StoreError  # noqa: PLC0415
    from rules.phrasing.programme_text import visits_text  # noqa: PLC0415
    from rules.phrasing.wire import to_json  # noqa: PLC0415

    configuration, faults = estate_or_faults(options.estate)
    if configuration is None:
        return complain(Exit.WRONG_INPUT, *faults)
    try:
        programme, banks = asyncio.run(_made(options, configuration))
    except (StoreError, NothingStoredError, OSError) as error:
        return complain(Exit.UNREACHABLE, str(error))
    if options.json:
        plain = {"visits": to_json(programme.visits), "banks": {b.id: to_json(b.tests) for b in banks}}
        print(json.dumps(plain, indent=2, ensure_ascii=False))
    else:
        names = {site.id: site.name for site in configuration.estate.sites.values()}
        print(visits_text(programme, banks, names))
    return int(Exit.DONE)


async def _made(
    options: argparse.Namespace, configuration: Configuration
) -> tuple[Programme, tuple[BankState, ...]]:
    """Return the programme and the banks it was made of. Raises NothingStoredError and StoreError."""
    from collector.read_model.snapshot import Showing  # noqa: PLC0415
    from collector.read_model.stored import StoredEstate  # noqa: PLC0415
    from collector.read_model.stored_source import judged_again  # noqa: PLC0415

    async with StoredEstate(configuration, folder_of(options)) as kept:
        source = await judged_again(kept, lambda text: print(text, file=sys.stderr))
        programme = await source.planner.jobs.programme(configuration.budget.value())
        return programme, (await Showing().sheet(source)).banks
