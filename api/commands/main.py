"""The command line, and the composition root of the service.

Only the module of the command asked for is imported, and it imports what it needs when it runs: `--help`, `check` and
`probe` start without the web framework, the database client or scipy. Results go to standard output, progress and diagnostics to
standard error. Exit codes: see `Exit`.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Sequence
from importlib import import_module
from typing import Final

from api.commands.exits import Exit

EPILOG: Final = """\
exit codes: 0 done; 2 wrong use, input or estate file; 3 could not reach or read;
10 done, and the answer is bad news; 11 done, and it cannot tell.
ridethrough reads units; it never writes to one. Isolation and battery work belong to qualified people."""

COMMANDS: Final = {
    "demo": "a simulated estate that answers SNMP on loopback, and the whole service on it",
    "run": "the service: collect, judge, tell, serve",
    "centre": "several sites as one estate, as they tell it by a broker",
    "reload": "have a running service take over its changed estate file, or say why it does not",
    "check": "validate an estate file and name every fault",
    "begin": "find cards, read them, and write a first estate file with the open questions in it",
    "probe": "read one card once: what it supports, what it gets wrong, how it was corrected",
    "survey": "find cards that answer the UPS MIB in a range of addresses",
    "confirm": "prove at the cabinet which card is whose, and compare panel readings with polled ones",
    "capacity": "judge a bank from a logged discharge, whole or in part",
    "plan": "play a scenario out for one system or all: is the load carried through, and what happens when",
    "discharges": "which discharge of which bank pays: when, how long, what it buys and what it risks, visit by visit",
    "report": "a printed report: the estate, a system, a bank, the programme, an isolation, a plan",
    "replaced": "record that a cabinet or a bank's blocks were replaced",
    "visited": "record a service visit to a unit, bank or generator",
    "import": "keep a past discharge test or hand-measured blocks as evidence of a bank",
    "test-delivery": "send one test message to each person by each of their ways",
    "user": "add, change, list and remove the people who may look, act or administer",
    "token": "make, list and revoke what programs show to look or act",
    "backup": "a consistent copy of the data folder, or put one back",
    "export": "history as CSV, Parquet or wire values; the ledger as JSON lines",
    "verify": "check the stores in a data folder, and rescue what is sound",
}
"""Command -> one line of help. Each lives in a module of its name (`FOLDERS`) with `add_arguments` and `run`."""

FOLDERS: Final = {
    "access": ("user", "token"),
    "cards": ("begin", "probe", "survey", "confirm"),
    "data": ("replaced", "visited", "import", "test-delivery", "backup", "export", "verify"),
    "reports": ("capacity", "plan", "discharges", "report"),
}
"""Folder of `api.commands` -> the commands that live there; the others live in `api.commands` itself."""

MODULES: Final = {"import": "import_", "test-delivery": "test_delivery"}
"""Commands whose module cannot have their name."""


def _module_of(command: str) -> str:
    folder = next((f"{name}." for name, commands in FOLDERS.items() if command in commands), "")
    return f"api.commands.{folder}{MODULES.get(command, command)}"


def build_parser(only: str | None = None) -> argparse.ArgumentParser:
    """Return the parser of the whole command line, or of one command beside the bare names of the others."""
    parser = argparse.ArgumentParser(
        prog="ridethrough",
        description="Watches a site's standby power: how long each system holds, which bank fails next, what to do.",
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for name, summary in COMMANDS.items():
        if only not in {None, name}:
            commands.add_parser(name, help=summary)
            continue
        module = import_module(_module_of(name))
        sub = commands.add_parser(
            name, help=summary, description=f"{summary[0].upper()}{summary[1:]}.", epilog=module.__doc__,
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )  # fmt: skip
        module.add_arguments(sub)
        sub.set_defaults(run=module.run)
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code."""
    given = sys.argv[1:] if arguments is None else arguments
    # a command stands first; modules of the others are half of what a short one takes
    options = build_parser(given[0] if given else "").parse_args(given)
    run: Callable[[argparse.Namespace], int] = options.run
    try:
        return int(run(options))
    except KeyboardInterrupt:
        return int(Exit.DONE)
    except BrokenPipeError:
        # The reader of our output left (`| head`): that is its right, and no error of ours.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return int(Exit.DONE)
