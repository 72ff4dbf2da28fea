"""A service visit is a dated event with its author; what is due next is reckoned from it."""

from __future__ import annotations

import argparse
from datetime import UTC, datetime

from api.commands.data.replaced import add_dated, keep
from api.commands.exits import Exit, complain
from api.commands.shared import estate_or_faults
from collector.assessment.evidence_files import visited
from collector.configuration import ConfigError


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("place", metavar="PLACE", help="id of the unit, bank or generator that was serviced")
    parser.add_argument(
        "--renewed",
        action="append",
        default=[],
        choices=("fans", "capacitors"),
        help="what of the unit was renewed; may be given twice",
    )
    add_dated(parser)


def run(options: argparse.Namespace) -> int:
    """Record the visit."""
    configuration, faults = estate_or_faults(options.estate)
    if configuration is None:
        return complain(Exit.WRONG_INPUT, *faults)
    now = datetime.now(UTC)
    try:
        event = visited(
            configuration.estate,
            options.place,
            options.on or now,
            options.by,
            now,
            note=options.note,
            renewed=options.renewed,
        )
    except ConfigError as error:
        return complain(Exit.WRONG_INPUT, *(str(fault) for fault in error.faults))
    code = keep(options, lambda tx: tx.add_equipment(event))
    if code == Exit.DONE:
        print(f"recorded: {options.place} visited on {event.at.date()}")
    return code
