"""Finds the cards in ranges of your own network, reads each, and writes an estate file that `check` finds in order, with what no
card can tell as questions behind `# ?`. RANGE is ADDRESS/PREFIX or FIRST-LAST, at most 1,024 addresses. What is there already
is not written over. The secrets file is made beside it, readable by you alone, unless there is one."""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import sys
from collections.abc import Sequence
from datetime import date, datetime
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from api.commands.cards.credentials import WrongCredentialsError, add_credentials, credentials_from
from api.commands.cards.first_file import ReadCard, first_file
from api.commands.exits import Exit, complain
from collector.cards.commissioning.probe import ProbeReport, probe
from collector.cards.commissioning.survey import SurveyReport, addresses_of, survey
from collector.cards.corrections.sample import Declared
from collector.cards.snmp.client import Patience
from collector.cards.snmp.credentials import Auth, Community, Credentials, Privacy
from collector.cards.snmp.errors import SnmpError
from collector.cards.snmp.target import parse_target
from collector.configuration.impossible import LEAST_VA, MOST_VA

AT_ONCE: Final = 16
"""Cards that are read side by side; each takes three seconds."""
SECRETS_FILE: Final = "secrets.toml"
SECRET: Final = "cards"  # noqa: S105 - a name in the secrets file


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument(
        "ranges", nargs="+", metavar="RANGE", help="the addresses to ask; several may be named"
    )
    parser.add_argument(
        "--to",
        type=Path,
        default=Path("estate.toml"),
        metavar="FILE",
        help="the file to write (default: estate.toml)",
    )
    parser.add_argument("--site", default="Site", metavar="NAME", help="the name people use for the site")
    parser.add_argument(
        "--time-zone", default="UTC", metavar="ZONE", help="of the clock on its wall, as Europe/London"
    )
    parser.add_argument(
        "--system", action="append", default=[], metavar="ID=ADDRESS,ADDRESS",
        help="cards whose units stand in parallel, by their addresses; may be given several times (default: each by itself)",
    )  # fmt: skip
    parser.add_argument(
        "--rating-va",
        type=float,
        metavar="VA",
        help="the plates' rating, for cards that have none that holds",
    )
    parser.add_argument("--rating-w", type=float, metavar="W", help="the same in watts")
    parser.add_argument(
        "--udp-port", type=int, default=161, metavar="N", help="UDP port of the cards (default: 161)"
    )
    add_credentials(parser)


def run(options: argparse.Namespace) -> int:
    """Find, read, write and check."""
    try:
        addresses = list(dict.fromkeys(a for text in options.ranges for a in addresses_of(text)))
        together = _systems(options.system)
        credentials = credentials_from(options)
        ZoneInfo(options.time_zone)
    except WrongCredentialsError as error:
        return complain(Exit.WRONG_INPUT, str(error))
    except (ZoneInfoNotFoundError, OSError):
        return complain(
            Exit.WRONG_INPUT, f"--time-zone: want a name like Europe/London; got {options.time_zone!r}"
        )
    except ValueError as error:
        return complain(Exit.WRONG_INPUT, f"want {error}")
    fault = _wrong(options)
    if fault is not None:
        return complain(Exit.WRONG_INPUT, fault)
    declared = Declared(rating_va=options.rating_va, rating_w=options.rating_w)
    try:
        found, reports = asyncio.run(_read(addresses, credentials, options.udp_port, declared))
    except SnmpError as error:
        return complain(Exit.UNREACHABLE, str(error))
    for trouble in found.troubles:
        complain(Exit.DONE, f"{trouble.target} answers, but: {trouble.why}")
    if not reports:
        return complain(
            Exit.UNREACHABLE, f"no card answers; {found.silent} of {found.asked} addresses gave no answer"
        )
    cards = _cards(reports, declared, together)
    today = datetime.now(ZoneInfo(options.time_zone)).date()
    return _write(options, credentials, cards, today)


def _wrong(options: argparse.Namespace) -> str | None:
    """Return what is wrong in the options before anything is asked."""
    if options.to.exists():
        return f"--to: want a file that is not there yet; {options.to} is"
    if not options.to.parent.is_dir():
        return f"--to: want a file in a folder that is there; got {options.to}"
    if not 0 < options.udp_port < 65536:
        return f"--udp-port: want 1 to 65535; got {options.udp_port}"
    for option, value in (("--rating-va", options.rating_va), ("--rating-w", options.rating_w)):
        if value is not None and not LEAST_VA <= value <= MOST_VA:
            return f"{option}: want {LEAST_VA:g} to {MOST_VA:_.0f}, kVA times 1000; got {value:g}"
    return None


def _systems(given: Sequence[str]) -> dict[str, str]:
    """Return the system of each address that `--system` names. Raises ValueError."""
    found: dict[str, str] = {}
    for text in given:
        name, _, addresses = text.partition("=")
        if (
            not name
            or not addresses
            or not name.replace("-", "").replace("_", "").isalnum()
            or not name.isascii()
        ):
            raise ValueError(f"--system ID=ADDRESS,ADDRESS, ID of letters, digits and hyphens; got {text!r}")
        for address in addresses.split(","):
            found[address.strip()] = name
    return found


async def _read(
    addresses: Sequence[str], credentials: Credentials, port: int, declared: Declared
) -> tuple[SurveyReport, list[ProbeReport]]:
    """Return what answers, and what each card said; one that falls silent meanwhile is named."""
    found = await survey(
        addresses, credentials, port=port, patience=Patience(deadline_s=1.0, retries=1), progress=_progress
    )
    room = asyncio.Semaphore(AT_ONCE)

    async def one(target: str) -> ProbeReport | None:
        async with room:
            try:
                return await probe(parse_target(target), credentials, declared=declared)
            except SnmpError as error:
                complain(Exit.DONE, f"{target} answered, but could not be read: {error}")
                return None

    read = await asyncio.gather(*(one(card.target) for card in found.cards))
    return found, [report for report in read if report is not None]


def _progress(asked: int, total: int, found: int) -> None:
    end = "\n" if asked == total else ""
    print(f"\r{asked} of {total} asked, {found} cards found", end=end, file=sys.stderr, flush=True)


def _cards(reports: Sequence[ProbeReport], declared: Declared, together: dict[str, str]) -> list[ReadCard]:
    cards = []
    for number, report in enumerate(reports, 1):
        plate = report.reading.nameplate
        host = parse_target(report.target).host
        card = ReadCard(
            report.target,
            report.reading,
            declared.rating_va or plate.rating_va,
            declared.rating_w or plate.rating_w,
            report.snmp_version,
            together.get(host, f"S{number}"),
        )
        cards.append(card)
    return cards


def _write(
    options: argparse.Namespace, credentials: Credentials, cards: Sequence[ReadCard], today: date
) -> int:
    from collector.configuration import ConfigError, load_text  # noqa: PLC0415 - light starts

    whole = [card for card in cards if card.whole]
    for card in cards:
        if not card.whole:
            complain(
                Exit.DONE, f"{card.target} tells no rating that holds: it stands in the file as a question"
            )
    if not whole:
        return complain(
            Exit.CANNOT_TELL,
            "No card tells a rating that holds: read it from the plates, and give it by --rating-va and --rating-w.",
        )
    secret = options.secret or SECRET
    text = first_file(cards, site=options.site, time_zone=options.time_zone, secret=secret, today=today)
    try:
        made = _write_secrets(options.to.with_name(SECRETS_FILE), secret, credentials)
        warnings = load_text(text, options.to).warnings
        with options.to.open("x", encoding="utf-8") as out:
            out.write(text)
        options.to.chmod(0o600)
    except ConfigError as error:
        return complain(Exit.WRONG_INPUT, *(str(fault) for fault in error.faults))
    except OSError as error:
        return complain(Exit.UNREACHABLE, f"{options.to}: {error.strerror}")
    print(
        f"{options.to}: {len(whole)} units in {len({card.system for card in whole})} systems; check finds it in order"
    )
    if made is not None:
        print(f"{made}: what the cards were read with, readable by its owner alone")
    print(
        f"{text.count('# ?')} questions stand in it, and {len(warnings)} warnings: ridethrough check {options.to}"
    )
    return int(Exit.DONE)


def _write_secrets(path: Path, name: str, credentials: Credentials) -> Path | None:
    """Write what the cards were read with, unless there is a secrets file; return the file that was made. Raises OSError."""
    if path.exists():
        return None
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "w", encoding="utf-8") as out:
        out.write(
            f"[{name}]\n" + "".join(f"{key} = {json.dumps(value)}\n" for key, value in _words(credentials))
        )
    return path


def _words(credentials: Credentials) -> list[tuple[str, str]]:
    if isinstance(credentials, Community):
        return [("community", credentials.name.decode())]
    words = [("user", credentials.name)]
    if credentials.auth is not Auth.NONE:
        words += [("auth", credentials.auth.value), ("auth_key", credentials.auth_secret.decode())]
    if credentials.privacy is not Privacy.NONE:
        words += [
            ("privacy", credentials.privacy.value),
            ("privacy_key", credentials.privacy_secret.decode()),
        ]
    return words
