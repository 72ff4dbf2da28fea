"""Sends one test message to each person by each of their ways, and says what came back. Nothing is queued or tried again.

With `--data` what came back stands in the journal too, where whoever looks into it later finds it.
"""

from __future__ import annotations

import argparse
import asyncio
from pathlib import Path

from api.commands.data.replaced import keep
from api.commands.exits import Exit, complain
from api.commands.shared import estate_or_faults

__test__ = False


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("estate", type=Path, metavar="ESTATE.toml", help="the estate file")
    parser.add_argument("--person", metavar="NAME", help="only this person")
    parser.add_argument(
        "--data", type=Path, metavar="DIR", help="data folder whose journal is to hold what came back"
    )


def run(options: argparse.Namespace) -> int:
    """Send, and say what came back."""
    from collector.messaging.delivery.trial import try_all  # noqa: PLC0415 - light starts: the channels' libraries only here

    configuration, faults = estate_or_faults(options.estate)
    if configuration is None:
        return complain(Exit.WRONG_INPUT, *faults)
    people = [p for p in configuration.people.persons if options.person in {None, p.name}]
    if not people:
        known = ", ".join(p.name for p in configuration.people.persons) or "none"
        return complain(Exit.WRONG_INPUT, f"--person: want one of {known}; got {options.person!r}")
    trials = asyncio.run(try_all(configuration, people))
    for trial in trials:
        went = "arrived" if trial.delivered else "FAILED"
        print(
            f"{went}  {trial.person} by {trial.channel}{'' if trial.address is None else f' ({trial.address})'}: {trial.result}"
        )
    if options.data is not None:
        code = keep(options, lambda tx: tx.add_events(trial.line() for trial in trials))
        if code != Exit.DONE:
            return code
    return int(Exit.DONE if all(trial.delivered for trial in trials) else Exit.UNREACHABLE)
