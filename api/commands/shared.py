"""What several commands share: the estate file and the data folder as options, days and times as people write them."""

from __future__ import annotations

import argparse
import os
from datetime import UTC, datetime
from pathlib import Path

from collector.configuration import ConfigError, Configuration, load


def default_data() -> Path:
    """Return the data folder where `--data` is not given: the service manager's, or one beside the caller."""
    return Path(os.environ.get("STATE_DIRECTORY") or "ridethrough-data")


def add_data(parser: argparse.ArgumentParser) -> None:
    """Declare `--data`."""
    parser.add_argument(
        "--data",
        type=Path,
        metavar="DIR",
        help="data folder (default: $STATE_DIRECTORY, else ./ridethrough-data)",
    )


def add_estate(parser: argparse.ArgumentParser) -> None:
    """Declare `--estate`."""
    parser.add_argument(
        "--estate",
        type=Path,
        default=Path("estate.toml"),
        metavar="ESTATE.toml",
        help="the estate file (default: estate.toml)",
    )


def folder_of(options: argparse.Namespace) -> Path:
    """Return the data folder that the options name."""
    folder: Path = options.data or default_data()
    return folder


def estate_or_faults(path: Path) -> tuple[Configuration | None, tuple[str, ...]]:
    """Return a checked estate file, or its faults as lines."""
    try:
        return load(path), ()
    except ConfigError as error:
        return None, tuple(str(fault) for fault in error.faults)


def moment_there(text: str) -> datetime:
    """Return a day or a time from the command line as it is written: without a zone it is of a zone that is known later."""
    try:
        return datetime.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(
            f"want a day or time like 2026-11-24 or 2026-11-24T14:00 (of the site's clocks) or 2026-11-24T14:00:00Z; got {text!r}"
        ) from None


def moment(text: str) -> datetime:
    """Return a day or a time from the command line; without a zone it is UTC."""
    try:
        found = datetime.fromisoformat(text)
        return found.replace(tzinfo=UTC) if found.tzinfo is None else found.astimezone(UTC)
    except (ValueError, OverflowError):
        raise argparse.ArgumentTypeError(
            f"want a day or time like 2026-11-24 or 2026-11-24T14:00:00Z; got {text!r}"
        ) from None
