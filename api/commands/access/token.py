"""A token is shown once, when it is made, and kept as a hash: who lost it makes another. Programs show it in the header
`Authorization: Bearer TOKEN`. It does what its role says and nothing that asks for a password again."""

from __future__ import annotations

import argparse
import secrets
import sys
from collections.abc import Awaitable, Callable
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Final

from api.access.roles import PASS_ON, Role
from api.commands.access.ledger_beside import with_tables
from api.commands.exits import Exit, complain
from api.commands.shared import add_data
from api.http import said

if TYPE_CHECKING:
    from collector.storage.ledger.access import AccessTables
    from collector.storage.ledger.records import AccessToken

LONGEST_DAYS: Final = 400
USUAL_DAYS: Final = 90


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what can be done with tokens."""
    what = parser.add_subparsers(dest="what", metavar="WHAT", required=True, help="what is done")
    make = what.add_parser("make", help="make a token and print it, this once")
    make.add_argument("label", type=said.name, metavar="LABEL", help="what it is for; the journal shows it")
    make.add_argument(
        "--role", choices=(*(role.value for role in Role), PASS_ON), default=Role.LOOK.value,
        help="what it may do (default: look); pass_on, of a centre alone: act under the names of those who act there",
    )  # fmt: skip
    make.add_argument(
        "--days", type=_days, default=USUAL_DAYS, metavar="N",
        help=f"days until it expires, at most {LONGEST_DAYS} (default: {USUAL_DAYS})",
    )  # fmt: skip
    revoke = what.add_parser("revoke", help="revoke a token; nothing is let in by it from now on")
    revoke.add_argument("token", metavar="ID", help="its id, as `token list` shows it: no secret")
    what.add_parser("list", help="list tokens: id, what for, what they may do, until when, used when")
    for one in what.choices.values():
        add_data(one)


def _days(text: str) -> int:
    if not text.isdigit() or not 0 < int(text) <= LONGEST_DAYS:
        raise argparse.ArgumentTypeError(f"want 1 to {LONGEST_DAYS}; got {text!r}")
    return int(text)


def run(options: argparse.Namespace) -> int:
    """Do it."""
    return with_tables(options, lambda tables: _DOES[options.what](tables, options, datetime.now(UTC)))


async def _make(tables: AccessTables, options: argparse.Namespace, now: datetime) -> int:
    from collector.storage.ledger.access import digest  # noqa: PLC0415 - light starts
    from collector.storage.ledger.records import AccessToken  # noqa: PLC0415

    name, secret = secrets.token_hex(4), secrets.token_hex(32)
    ends = now + timedelta(days=options.days)
    token = AccessToken(name, options.label, options.role, digest(secret), now, ends)
    until = f"{ends:%Y-%m-%d %H:%M} UTC"
    await tables.save_token(
        token, f"A token {name} was made for {token.label}; may {_may(token)} until {until}."
    )
    print(f"rt_{name}_{secret}")
    print(f"{token.label} may {_may(token)} until {until}. It is not shown again.", file=sys.stderr)
    return int(Exit.DONE)


def _may(token: AccessToken) -> str:
    return "act under the names of those who act at a centre" if token.role == PASS_ON else token.role


async def _revoke(tables: AccessTables, options: argparse.Namespace, now: datetime) -> int:
    found = await tables.token(options.token)
    if found is None:
        return complain(Exit.WRONG_INPUT, f"there is no token {options.token!r}; `token list` names them")
    await tables.revoke(
        found.id, now, f"The token {found.id} ({found.label}) was revoked at the command line."
    )
    print(f"revoked: {found.id}, {found.label}")
    return int(Exit.DONE)


async def _list(tables: AccessTables, _options: argparse.Namespace, now: datetime) -> int:
    found = await tables.tokens()
    for token in found:
        used = "never used" if token.used is None else f"used {token.used:%Y-%m-%d %H:%M}"
        until = f"{'until' if now < token.ends else 'expired'} {token.ends:%Y-%m-%d}"
        print(f"{token.id}\t{token.label}\t{token.role}\t{until}\t{used}")
    if not found:
        print("no tokens", file=sys.stderr)
    return int(Exit.DONE)


_DOES: Final[dict[str, Callable[[AccessTables, argparse.Namespace, datetime], Awaitable[int]]]] = {
    "make": _make,
    "revoke": _revoke,
    "list": _list,
}
