"""Every fault is one line: FILE:LINE: place: want ...; got ... Warnings do not change the exit code.

A fault is what the service cannot run with, and a day to come where only what has happened can stand. A warning is what the
site ought to answer or set right: a generator smaller than its load, hours in which nobody is told."""

from __future__ import annotations

import argparse
import asyncio
from datetime import UTC, datetime
from pathlib import Path

from api.commands.exits import Exit, complain
from collector.configuration import ConfigError, Configuration, latest_today, load
from collector.configuration.centre.file import CentreFile, load_centre
from collector.configuration.centre.together import held_together
from collector.storage.data_folder import LEDGER_FILE
from collector.storage.database import StoreError
from rules.plant.estate import Estate


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument(
        "estates",
        type=Path,
        nargs="*",
        metavar="ESTATE.toml",
        help="the estate file; of several also what is wrong between them",
    )
    parser.add_argument(
        "--centre",
        type=Path,
        metavar="CENTRE.toml",
        help="also the file of a centre of several sites, and whether it fits the estate files",
    )
    parser.add_argument(
        "--data",
        type=Path,
        metavar="DIR",
        help="also look into this data folder for cards that nobody has confirmed at their cabinet",
    )


def run(options: argparse.Namespace) -> int:
    """Load the files; say what is wrong with each and between them, or what is in them."""
    if not options.estates and options.centre is None:
        return complain(Exit.WRONG_INPUT, "want an estate file, or --centre with a centre's")
    if options.data is not None and len(options.estates) != 1:
        return complain(Exit.WRONG_INPUT, "--data: want one estate file, whose service keeps its data there")
    sites = [_site(path) for path in options.estates]
    centre = None if options.centre is None else _centre(options.centre)
    sound = [site for site in sites if site is not None]
    if len(sound) < len(sites) or (options.centre is not None and centre is None):
        return int(Exit.WRONG_INPUT)
    between = held_together(sound, centre)
    for warning in (one for notes in between for one in notes.warnings):
        complain(Exit.DONE, f"warning: {warning}")
    if faults := [str(fault) for notes in between for fault in notes.faults]:
        return complain(Exit.WRONG_INPUT, *faults)
    if options.data is not None:
        try:
            unproved = never_confirmed(sound[0].estate, options.data)
        except StoreError as error:
            return complain(Exit.UNREACHABLE, str(error))
        for unit in unproved:
            complain(
                Exit.DONE,
                f"warning: unit {unit}: nobody has confirmed at the cabinet that its card is its own",
            )
    for site in sound:
        estate = site.estate
        print(
            f"{site.path}: in order. {len(estate.systems)} systems, {len(estate.units)} units, "
            f"{len(estate.banks)} banks, {len(estate.cards)} cards."
        )
    if centre is not None:
        taking = sum(centre.token(site) is not None for site in centre.sites)
        print(
            f"{centre.path}: in order. {len(centre.sites)} sites, of which {taking} take what people do at the centre."
        )
    return int(Exit.DONE)


def _site(path: Path) -> Configuration | None:
    """Return an estate file; None of one with faults, which are told."""
    try:
        configuration = load(path, latest_today(datetime.now(UTC)))
    except ConfigError as error:
        warned = (f"warning: {warning}" for warning in error.warnings)
        complain(Exit.WRONG_INPUT, *(str(fault) for fault in error.faults), *warned)
        return None
    for warning in configuration.warnings:
        complain(Exit.DONE, f"warning: {warning}")
    return configuration


def _centre(path: Path) -> CentreFile | None:
    """Return a centre's file; None of one with faults, which are told."""
    try:
        return load_centre(path)
    except ConfigError as error:
        complain(Exit.WRONG_INPUT, *(str(fault) for fault in error.faults))
        return None


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
