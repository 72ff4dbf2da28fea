"""RANGE is ADDRESS/PREFIX or FIRST-LAST, at most 1,024 addresses of your own network. Each is asked once, at a steady pace."""

from __future__ import annotations

import argparse
import asyncio
import json
import sys

from api.commands.cards.credentials import WrongCredentialsError, add_credentials, credentials_from
from api.commands.exits import Exit, complain
from collector.cards.commissioning.survey import SurveyReport, addresses_of, survey
from collector.cards.snmp.client import Patience
from collector.cards.snmp.errors import SnmpError
from rules.phrasing.wire import to_json


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("range", metavar="RANGE", help="the addresses to ask")
    parser.add_argument(
        "--udp-port", type=int, default=161, metavar="N", help="UDP port of the cards (default: 161)"
    )
    parser.add_argument(
        "--per-second", type=float, default=50.0, metavar="N", help="new addresses a second (default: 50)"
    )
    parser.add_argument("--json", action="store_true", help="JSON for scripts")
    add_credentials(parser)


def run(options: argparse.Namespace) -> int:
    """Ask every address and say which cards answer."""
    try:
        addresses = addresses_of(options.range)
    except ValueError as error:
        return complain(Exit.WRONG_INPUT, f"RANGE: want {error}")
    if not 0 < options.udp_port < 65536 or not 0 < options.per_second <= 1000:
        return complain(Exit.WRONG_INPUT, "--udp-port: want 1 to 65535, and --per-second 1000 or less")
    try:
        credentials = credentials_from(options)
    except WrongCredentialsError as error:
        return complain(Exit.WRONG_INPUT, str(error))
    try:
        report = asyncio.run(
            survey(
                addresses, credentials, port=options.udp_port, per_s=options.per_second,
                patience=Patience(deadline_s=1.0, retries=1), progress=_progress,
            )
        )  # fmt: skip
    except SnmpError as error:
        return complain(Exit.UNREACHABLE, str(error))
    print(json.dumps(to_json(report), indent=2, ensure_ascii=False) if options.json else _text(report))
    return int(Exit.DONE if report.cards else Exit.UNREACHABLE)


def _progress(asked: int, total: int, found: int) -> None:
    end = "\n" if asked == total else ""
    print(f"\r{asked} of {total} asked, {found} cards found", end=end, file=sys.stderr, flush=True)


def _text(report: SurveyReport) -> str:
    lines = [f"{card.target}  {card.name or 'does not say what it is'}" for card in report.cards]
    lines += [f"{trouble.target}  answers, but: {trouble.why}" for trouble in report.troubles]
    lines += [f"{target}  answers SNMP, without the UPS MIB" for target in report.others]
    lines.append(f"{len(report.cards)} cards; {report.silent} of {report.asked} addresses gave no answer")
    return "\n".join(lines)
