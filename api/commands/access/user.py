"""Passwords are asked for at the terminal, or read from standard input, one line; they are never an argument, which other
users of the machine could see. A running service takes what is changed here at once: a new password or role, and a removal,
end that user's sessions. As soon as there is a user or a token, nobody is let in unknown.

look: the pages and all that can be asked. act: also acknowledge, shelve, mark, follow work, sign a shutdown.
administer: also see users and tokens, end sessions and revoke tokens over HTTP."""

from __future__ import annotations

import argparse
import getpass
import sys
from collections.abc import Awaitable, Callable
from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

from api.access.passwords import MOST, USUAL_COST, fault_in
from api.access.roles import Role
from api.commands.access.ledger_beside import with_tables
from api.commands.exits import Exit, complain
from api.commands.shared import add_data
from api.http import said

if TYPE_CHECKING:
    from collector.storage.ledger.access import AccessTables
    from collector.storage.ledger.records import UserLine

BY: Final = "at the command line"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what can be done with users."""
    what = parser.add_subparsers(dest="what", metavar="WHAT", required=True, help="what is done")
    add = what.add_parser("add", help="add a user, whose password is asked for")
    _name(add)
    add.add_argument(
        "--role", type=Role, choices=tuple(Role), default=Role.LOOK, help="what they may do (default: look)"
    )
    add.add_argument(
        "--no-password",
        action="store_true",
        help="none: only a declared proxy or the provider vouches for this user",
    )
    _name(what.add_parser("password", help="set another password; it ends the user's sessions"))
    role = what.add_parser("role", help="change what a user may do; it ends the user's sessions")
    _name(role)
    role.add_argument("role", type=Role, choices=tuple(Role), help="what they may do from now on")
    _name(what.add_parser("sign-out", help="end all sessions of a user"))
    _name(what.add_parser("remove", help="remove a user and their sessions; the journal keeps the name"))
    what.add_parser("list", help="list users, what they may do, and how often they are signed in")
    for one in what.choices.values():
        add_data(one)


def _name(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "name", type=said.name, metavar="NAME", help="the name to sign in by; the journal shows it"
    )


def run(options: argparse.Namespace) -> int:
    """Do it."""
    if options.what in {"add", "password"}:
        hashed = None
        if not getattr(options, "no_password", False):
            try:
                hashed = USUAL_COST.hasher().hash(_asked(options.name))
            except ValueError as error:
                return complain(Exit.WRONG_INPUT, f"password: {error}")
        options.hashed = hashed
    return with_tables(options, lambda tables: _DOES[options.what](tables, options, datetime.now(UTC)))


def _asked(name: str) -> str:
    """Return a new password, from the terminal (twice) or one line of standard input. Raises ValueError."""
    if sys.stdin.isatty():
        password = getpass.getpass("New password: ")
        if getpass.getpass("Again: ") != password:
            raise ValueError("the two are not the same")
    else:
        password = sys.stdin.readline(MOST + 2).removesuffix("\n").removesuffix("\r")
    fault = fault_in(password, name)
    if fault is not None:
        raise ValueError(fault)
    return password


async def _add(tables: AccessTables, options: argparse.Namespace, now: datetime) -> int:
    if await tables.user(options.name) is not None:
        return complain(
            Exit.WRONG_INPUT,
            f"there is a user {options.name!r} already; `user password` and `user role` change one",
        )
    from collector.storage.ledger.records import UserLine  # noqa: PLC0415 - light starts

    user = UserLine(options.name, options.role.value, options.hashed, now, now)
    await tables.save_user(user, f"{user.name} was added {BY}; may {user.role}.", sign_out=False)
    print(f"added: {user.name} may {user.role}")
    return int(Exit.DONE)


async def _password(tables: AccessTables, options: argparse.Namespace, now: datetime) -> int:
    user = await tables.user(options.name)
    if user is None:
        return _unknown(options)
    text = f"The password of {user.name} was set {BY}; all sessions of that name ended."
    await tables.save_user(replace(user, password=options.hashed, changed=now), text, sign_out=True)
    print(f"set: {user.name} signs in with the new password")
    return int(Exit.DONE)


async def _role(tables: AccessTables, options: argparse.Namespace, now: datetime) -> int:
    user = await tables.user(options.name)
    if user is None:
        return _unknown(options)
    text = f"{user.name} may {options.role.value} from now on, and not {user.role} as before; set {BY}."
    await tables.save_user(replace(user, role=options.role.value, changed=now), text, sign_out=True)
    print(f"set: {user.name} may {options.role.value}")
    return int(Exit.DONE)


async def _sign_out(tables: AccessTables, options: argparse.Namespace, now: datetime) -> int:
    if await tables.user(options.name) is None:
        return _unknown(options)
    await tables.end_all(options.name, now, f"All sessions of {options.name} were ended {BY}.")
    print(f"ended: all sessions of {options.name}")
    return int(Exit.DONE)


async def _remove(tables: AccessTables, options: argparse.Namespace, now: datetime) -> int:
    if await tables.user(options.name) is None:
        return _unknown(options)
    await tables.remove_user(options.name, now, f"{options.name} was removed {BY}.")
    print(f"removed: {options.name}")
    return int(Exit.DONE)


async def _list(tables: AccessTables, _options: argparse.Namespace, _now: datetime) -> int:
    sessions = await tables.sessions()
    users: tuple[UserLine, ...] = await tables.users()
    for user in users:
        count = sum(session.user == user.name for session in sessions)
        known = "by password" if user.password is not None else "by a proxy only"
        print(f"{user.name}\t{user.role}\t{known}\tsigned in {count} times")
    if not users:
        print("no users", file=sys.stderr)
    return int(Exit.DONE)


def _unknown(options: argparse.Namespace) -> int:
    return complain(Exit.WRONG_INPUT, f"there is no user {options.name!r}; `user list` names them")


_DOES: Final[dict[str, Callable[[AccessTables, argparse.Namespace, datetime], Awaitable[int]]]] = {
    "add": _add,
    "password": _password,
    "role": _role,
    "sign-out": _sign_out,
    "remove": _remove,
    "list": _list,
}
