"""The options that say how a card lets us in, alike for every command that asks one: long options only.

A key or community is read from a file, or from standard input where the file is named `-`; on the command
line itself only a community may stand, since other users of the machine can see the line.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from collector.cards.snmp.credentials import Auth, Community, Credentials, Privacy, User, Version
from collector.configuration.card_access import credentials_of


class WrongCredentialsError(ValueError):
    """The options do not make credentials; the text says which and what was wanted."""


def add_credentials(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    group = parser.add_argument_group("credentials")
    group.add_argument(
        "--community", metavar="NAME", help="read-only community of SNMP 1 or 2c (default: public)"
    )
    group.add_argument(
        "--community-file", metavar="F", help="file that holds the community; - for standard input"
    )
    group.add_argument("--snmp-version", choices=["1", "2c"], help="with a community (default: 2c)")
    group.add_argument("--user", metavar="NAME", help="user of SNMP 3")
    group.add_argument(
        "--auth", choices=[a.value for a in Auth if a is not Auth.NONE], help="how messages are signed"
    )
    group.add_argument("--auth-key-file", metavar="F", help="file that holds the signing password")
    group.add_argument(
        "--privacy",
        choices=[p.value for p in Privacy if p is not Privacy.NONE],
        help="how messages are enciphered",
    )
    group.add_argument("--privacy-key-file", metavar="F", help="file that holds the enciphering password")
    group.add_argument("--secret", metavar="NAME", help="a name in the secrets file, instead of all these")
    group.add_argument(
        "--secrets-file",
        type=Path,
        default=Path("secrets.toml"),
        metavar="F",
        help="the secrets file (default: secrets.toml)",
    )


def credentials_from(options: argparse.Namespace) -> Credentials:
    """Return what the options say. Raises WrongCredentialsError."""
    if options.secret is not None:
        return _named(options)
    if options.user is not None:
        if options.community is not None or options.community_file is not None:
            raise WrongCredentialsError("--user: want either a user or a community; got both")
        return _user(options)
    if options.auth or options.privacy:
        raise WrongCredentialsError("--auth: want a --user to go with it")
    name = options.community
    if options.community_file is not None:
        name = _word(options.community_file, "--community-file")
    return Community((name or "public").encode(), Version(options.snmp_version or "2c"))


def _user(options: argparse.Namespace) -> User:
    for kind, key in (("auth", "auth_key_file"), ("privacy", "privacy_key_file")):
        if (getattr(options, kind) is None) != (getattr(options, key) is None):
            option = key.replace("_", "-")
            raise WrongCredentialsError(f"--{kind} and --{option}: want both or neither")
    if options.privacy and not options.auth:
        raise WrongCredentialsError("--privacy: want --auth too; the standard enciphers only signed messages")
    return User(
        name=options.user,
        auth=Auth(options.auth or Auth.NONE),
        auth_secret=_word(options.auth_key_file, "--auth-key-file").encode() if options.auth else b"",
        privacy=Privacy(options.privacy or Privacy.NONE),
        privacy_secret=_word(options.privacy_key_file, "--privacy-key-file").encode()
        if options.privacy
        else b"",
    )


def _named(options: argparse.Namespace) -> Credentials:
    from collector.configuration.secrets import (  # noqa: PLC0415 - only this way needs the secrets file  # noqa: PLC0415
        CommunitySecret,
        SnmpUser,
        read_secrets,
    )

    found, notes = read_secrets(options.secrets_file)
    if notes.faults:
        raise WrongCredentialsError("; ".join(str(fault) for fault in notes.faults))
    secret = found.by_name.get(options.secret)
    if not isinstance(secret, CommunitySecret | SnmpUser):
        known = ", ".join(sorted(found.by_name)) or "none"
        raise WrongCredentialsError(
            f"--secret: want a community or a user of {options.secrets_file} ({known}); got {options.secret!r}"
        )
    return credentials_of(secret, options.snmp_version)


def _word(file: str, option: str) -> str:
    """Return the one line of a file. What is in it is never shown: it is a secret, or the wrong file."""
    from collector.configuration.faults import ConfigError  # noqa: PLC0415 - only this way needs the file reader
    from collector.configuration.toml_text import text_of  # noqa: PLC0415

    try:
        text = sys.stdin.readline() if file == "-" else text_of(Path(file), "a file with the word")
    except ConfigError as error:
        raise WrongCredentialsError(f"{option}: {error}") from None
    except UnicodeDecodeError:
        raise WrongCredentialsError(f"{option}: want one line of text in UTF-8; got something else") from None
    lines = text.strip("\r\n").splitlines()
    if len(lines) != 1:
        got = "an empty file" if not lines else f"{len(lines)} lines: is it another file?"
        raise WrongCredentialsError(f"{option}: {file}: want the one line with the word; got {got}")
    return lines[0]
