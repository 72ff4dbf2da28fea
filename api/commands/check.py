"""Every fault is one line: FILE:LINE: place: want ...; got ... Warnings do not change the exit code.

A fault is what the service cannot run with, and a day to come where only what has happened can stand. A warning is what the
site ought to answer or set right: a generator smaller than its load, hours in which nobody is told."""

from __future__ import annotations

import argparse
import asyncio
from datetime import UTC, datetime
from pathlib import Path

from api.commands.exits import Exit, complain
from collector.configuration import ConfigError, latest_today, load
from collector.configuration.centre.file import load_centre
from collector.storage.data_folder import LEDGER_FILE
from collector.storage.database import StoreError
from rules.plant.estate import Estate


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("estate", type=Path, metavar="ESTATE.toml", help="the estate file")
    parser.add_argument(
        "--centre", action="store_true", help="it is the file of a centre of several sites, and not of a site"
    )
    parser.add_argument(
        "--data",
        type=Path,
        metavar="DIR",
        help="also look into this data folder for cards that nobody has confirmed at their cabinet",
    )


def run(options: argparse.Namespace) -> int:
    """Load the file; say what is wrong with it, or what is in it."""
    if options.centre:
        return _centre(options)
    try:
        configuration = load(options.estate, latest_today(datetime.now(UTC)))
    except ConfigError as error:
        warned = (f"warning: {warning}" for warning in error.warnings)
        return complain(Exit.WRONG_INPUT, *(str(fault) for fault in error.faults), *warned)
    for warning in configuration.warnings:
        complain(Exit.DONE, f"warning: {warning}")
    estate = configuration.estate
    if options.data is not None:
        try:
            unproved = never_confirmed(estate, options.data)
        except StoreError as error:
            return complain(Exit.UNREACHABLE, str(error))
        for unit in unproved:
            complain(
                Exit.DONE,
                f"warning: unit {unit}: nobody has confirmed at the cabinet that its card is its own",
            )
    print(
        f"{options.estate}: in order. {len(estate.systems)} systems, {len(estate.units)} units, "
        f"{len(estate.banks)} banks, {len(estate.cards)} cards."
    )
    return int(Exit.DONE)


def _centre(options: argparse.Namespace) -> int:
    if options.data is not None:
        return complain(Exit.WRONG_INPUT, "--data: want none with --centre, at which no card is read")
    try:
        file = load_centre(options.estate)
    except ConfigError as error:
        return complain(Exit.WRONG_INPUT, *(str(fault) for fault in error.faults))
    taking = sum(file.token(site) is not None for site in file.sites)
    print(
        f"{options.estate}: in order. {len(file.sites)} sites, {len(file.brokers)} brokers. "
        f"What people do is handed on to {taking} of the sites."
    )
    return int(Exit.DONE)


def never_confirmed(estate: Estate, folder: Path) -> list[str]:
    """Return the units with a card whose proof is missing, or no longer in force. Raises StoreError."""
    from collector.cards.commissioning.confirmations import confirmed  # noqa: PLC0415
    from collector.storage.ledger import Ledger  # noqa: PLC0415 - only where a data folder is looked into

    with_card = [unit for unit in estate.units if estate.card_of(unit) is not None]
    if not (folder / LEDGER_FILE).is_file():
        return with_card

    async def proved() -> set[str]:
        async with Ledger(folder / LEDGER_FILE) as ledger:
            return set(confirmed(estate, await ledger.facts(), await ledger.equipment()))

    known = asyncio.run(proved())
    return [unit for unit in with_card if unit not in known]
