"""The text of a TOML file: read with a remedy for whatever stands in the way, and the line on which a place stands."""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from collector.configuration.faults import ConfigError, ConfigFault, FaultList
from collector.configuration.secrets import where_in

_HEADER: Final = re.compile(r"\s*(\[\[?)\s*([\w.\-]+)\s*\]")
_SETTING: Final = re.compile(r"""\s*["']?([\w\-]+)["']?\s*=""")
_NAME: Final = re.compile(r"""\s*(?:id|name)\s*=\s*["'](.{1,40}?)["']""")
_UNQUOTED: Final = re.compile(r"\s*([\w\-]+)\s*=\s*([A-Za-z][\w.@/:\- ]{0,39}?)\s*(?:#.*)?$")
_EMPTY: Final = re.compile(r"\s*([\w\-]+)\s*=\s*(?:#.*)?$")
_SECRET: Final = re.compile(r"key|community|password|token|secret|user", re.IGNORECASE)
_MAGIC: Final = {
    b"SQLite format 3": "an SQLite store",
    b"%PDF": "a PDF file",
    b"\x89PNG": "a picture",
    b"PK\x03\x04": "an archive or a spreadsheet (save it as text)",
    b"\x1f\x8b": "a compressed file (unpack it first)",
    b"\xff\xfe": "text in UTF-16 (save it as UTF-8)",
    b"\xfe\xff": "text in UTF-16 (save it as UTF-8)",
}


_REMEDIES: Final = (
    ("Illegal character '\\n'", "a closing quote on the same line", "the end of the line"),
    ("Cannot overwrite a value", "each setting and each table once", "one a second time"),
    (
        "Expected newline",
        "one value: a number without its unit and with a point (30_000, 1.67), a day as 2024-05-31, or text in quotes",
        "more behind it",
    ),
    ("Unclosed array", "a comma, or ] at the end of the list", "neither"),
    ("Expected '=' after a key", "TOML: NAME = VALUE, or [[TABLE]]", "a line without ="),
)
"""How a TOML fault begins, what was wanted, and what came."""


def text_of(path: Path, want: str) -> str:
    """Return the text of a file. `want` names what should be there, as "an estate file". Raises ConfigError."""
    try:
        raw = path.read_bytes()
    except OSError as error:
        got = error.strerror or "an error"
        raise ConfigError([ConfigFault(str(path), "file", f"{want} that can be read", got)]) from None
    known = next((name for magic, name in _MAGIC.items() if raw.startswith(magic)), None)
    if known is not None or b"\0" in raw[:4096]:
        got = known or "a binary file"
        raise ConfigError([ConfigFault(str(path), "file", f"{want}, which is text in UTF-8", got)])
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        cut = error.start >= len(raw) - 4 and error.reason == "unexpected end of data"
        got = "an end within a character: the file is cut off" if cut else "a byte that is none"
        raise ConfigError(
            [ConfigFault(str(path), f"byte {error.start + 1}", "text in UTF-8", got, line)]
        ) from None


def tables_of(text: str, notes: FaultList) -> Mapping[str, object]:
    """Return what a TOML text says. Raises ConfigError with the place, and the remedy where it can be told."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        want, got = _remedy(text, error)
        place = where_in(error)
        line = re.match(r"line (\d+)", place)
        notes.fault(place, want, got, int(line[1]) if line else max(1, len(text.splitlines())))
        raise ConfigError(notes.faults) from None


def _remedy(text: str, error: tomllib.TOMLDecodeError) -> tuple[str, str]:
    """Return what was wanted at a place that is no TOML, and what came; never what may be a secret."""
    reason = str(error).partition(" (at ")[0]
    found = re.search(r"at line (\d+)", str(error))
    lines = text.splitlines()
    last = next((n for n in range(len(lines), 0, -1) if lines[n - 1].strip()), 1)
    cut = reason.startswith("Unclosed") and not text.endswith("\n")
    if found is None or (cut and int(found[1]) == last):
        return f"the rest: line {last} is begun and not ended", "the end of the file (is it cut off?)"
    line = lines[int(found[1]) - 1] if int(found[1]) <= len(lines) else ""
    bare = _UNQUOTED.match(line)
    if bare is not None and reason == "Invalid value":
        return _quoted(*bare.groups())
    empty = _EMPTY.match(line)
    if empty is not None:
        return f"a value behind {empty[1]} =", "nothing"
    return next(
        ((want, got) for begins, want, got in _REMEDIES if reason.startswith(begins)),
        ("TOML: NAME = VALUE, text in quotes", reason[:1].lower() + reason[1:]),
    )


def _quoted(key: str, value: str) -> tuple[str, str]:
    """Return what was wanted where a word stands without quotes, and what came."""
    if _SECRET.search(key):
        return f"the value of {key} in quotes", "a word without (not shown)"
    if value.lower() in ("true", "false"):
        return f"{key} = {value.lower()}", value
    return f'text in quotes: {key} = "{value}"', value


@dataclass(slots=True)
class _Span:
    """A table as it stands in the text: its first line, and the line of each of its settings."""

    path: str
    line: int
    of_many: bool = False
    name: str = ""
    settings: dict[str, int] = field(default_factory=dict)


class Lines:
    """The lines of a TOML text on which its tables and settings stand."""

    def __init__(self, text: str) -> None:
        self._spans: list[_Span] = [_Span("", 1)]
        for number, line in enumerate(text.splitlines(), 1):
            header = _HEADER.match(line)
            if header is not None:
                self._spans.append(_Span(header[2], number, header[1] == "[["))
                continue
            setting = _SETTING.match(line)
            if setting is not None:
                span = self._spans[-1]
                span.settings.setdefault(setting[1], number)
                if not span.name and (name := _NAME.match(line)) is not None:
                    span.name = name[1]

    def of(self, place: str) -> int | None:
        """Return the line of a fault's place, as `unit.A1.fitted#1.rating_va`; None where it stands nowhere."""
        for table in sorted({s.path for s in self._spans if s.path and "." not in s.path}, key=len):
            entries = [span for span in self._spans if span.path == table]
            for number, entry in enumerate(entries, 1):
                for head in (f"{table}.{entry.name}", f"{table}#{number}") if entry.of_many else (table,):
                    if place == head or place.startswith((f"{head}.", f"{head}#")):
                        return self._within(entry, place[len(head) :])
        top = re.split(r"[.#]", place)[0]
        return self._spans[0].settings.get(top)

    def _within(self, entry: _Span, rest: str) -> int:
        """Return the line of what is left of a place, in the entry it begins with."""
        setting, _, after = rest.lstrip(".").partition("#")
        if after:
            number, _, key = after.partition(".")
            inner = self._inner(entry, f"{entry.path}.{setting}")
            if number.isdigit() and 0 < int(number) <= len(inner):
                span = inner[int(number) - 1]
                return span.settings.get(re.split(r"[.#]", key)[0], span.line)
        return entry.settings.get(re.split(r"[.#]", setting)[0], entry.line)

    def _inner(self, entry: _Span, path: str) -> list[_Span]:
        begins = bisect_right([span.line for span in self._spans], entry.line)
        following = self._spans[begins:]
        end = next((n for n, span in enumerate(following) if span.path == entry.path), len(following))
        return [span for span in following[:end] if span.path == path]


def another_file(tables: Mapping[str, object]) -> str | None:
    """Return what a file is that is sound TOML and no estate file, None where it may be one."""
    if not tables:
        return None
    if "cells_in_series" in tables:
        return "the file of one bank, as `ridethrough capacity --bank` reads it"
    holds = [set(table) for table in tables.values() if isinstance(table, dict)]
    secret = {"community", "password", "token", "auth_key"}
    if len(holds) == len(tables) and all(keys & secret for keys in holds):
        return "a secrets file: name the estate file, which names this one in [secrets]"
    return None
