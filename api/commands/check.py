"""Every fault is one line: FILE: place: want ...; got ... Warnings do not change the exit code."""

from __future__ import annotations

import argparse
from pathlib import Path

from api.exits import Exit, complain
from collector.configuration import ConfigError, load


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("estate", type=Path, metavar="ESTATE.toml", help="the estate file")


def run(options: argparse.Namespace) -> int:
    """Load the file; say what is wrong with it, or what is in it."""
    try:
        configuration = load(options.estate)
    except ConfigError as error:
        return complain(Exit.WRONG_INPUT, *(str(fault) for fault in error.faults))
    for warning in configuration.warnings:
        complain(Exit.DONE, f"warning: {warning}")
    estate = configuration.estate
    print(
        f"{options.estate}: in order. {len(estate.systems)} systems, {len(estate.units)} units, "
        f"{len(estate.banks)} banks, {len(estate.cards)} cards."
    )
    return int(Exit.DONE)
