"""Faults of an estate file: where, what was wanted, what came. Never the value of a secret."""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from pydantic import ValidationError

_SHOWN = 60


@dataclass(frozen=True, slots=True)
class ConfigFault:
    """One thing that is wrong (or, as a warning, unanswered) in a file.

    `file` is the path as it was given. `place` is dotted and names entries by their id, or by `#n` (counted from 1)
    where they have none. `line` is the place's line in the file, None where it stands on none.
    """

    file: str
    place: str
    want: str
    got: str
    line: int | None = None

    def __str__(self) -> str:
        at = "" if self.line is None else f":{self.line}"
        return f"{self.file}{at}: {self.place}: want {self.want}; got {self.got}"


class ConfigError(Exception):
    """An estate file that cannot be used. `faults` holds every fault found, `warnings` what else was noted by then."""

    def __init__(self, faults: Sequence[ConfigFault], warnings: Sequence[ConfigFault] = ()) -> None:
        super().__init__("\n".join(str(fault) for fault in faults))
        self.faults = tuple(faults)
        self.warnings = tuple(warnings)


@dataclass(slots=True)
class FaultList:
    """Collects faults and warnings of one file while it is read."""

    file: str
    faults: list[ConfigFault] = field(default_factory=list)
    warnings: list[ConfigFault] = field(default_factory=list)

    def fault(self, place: str, want: str, got: str, line: int | None = None) -> None:
        """Note a fault: the file cannot be used."""
        self.faults.append(ConfigFault(self.file, place, want, got, line))

    def warn(self, place: str, want: str, got: str) -> None:
        """Note something the site should answer, but can run without."""
        self.warnings.append(ConfigFault(self.file, place, want, got))

    def with_lines(self, line_of: Callable[[str], int | None]) -> None:
        """Add to each fault and warning that has none the line of its place."""
        for noted in (self.faults, self.warnings):
            noted[:] = [f if f.line is not None else replace(f, line=line_of(f.place)) for f in noted]


def shown(value: object) -> str:
    """Return a value as a fault shows it: short, on one line, in the file's own notation."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, dict):
        return "a table"
    text = repr(value) if isinstance(value, str | int | float | list) else str(value)
    return text if len(text) <= _SHOWN else text[: _SHOWN - 1] + "…"


_SHORT: Final = 3
_LIKE, _ALIKE = 0.66, 0.85


def nearest(name: str, known: Iterable[str]) -> str:
    """Return ` (nearest known: …)` for a misspelt name, or nothing where no known name is like it.

    A slip of the finger rarely changes the first letter: names that begin otherwise must be alike in all the rest.
    """
    cutoff = 0.5 if len(name) <= _SHORT else _LIKE
    for found in difflib.get_close_matches(name, list(known), n=3, cutoff=cutoff):
        alike = difflib.SequenceMatcher(None, name.lower(), found.lower()).ratio() >= _ALIKE
        if alike or name[:1].lower() == found[:1].lower():
            return f" (nearest known: {found!r})"
    return ""


# what pydantic's error types want, in the words of the file; `{}` are filled from the error's context
_WANTED = {
    "float_type": "a number",
    "int_type": "a whole number",
    "string_type": "text in quotes",
    "bool_type": "true or false",
    "date_type": "a date without quotes, as 2024-05-31",
    "date_from_datetime_inexact": "a date without quotes, as 2024-05-31",
    "time_type": "a time without quotes, as 07:30:00",
    "list_type": "a list",
    "tuple_type": "a list",
    "dict_type": "a table",
    "model_type": "a table",
    "model_attributes_type": "a table",
    "finite_number": "a finite number",
    "greater_than": "more than {gt}",
    "greater_than_equal": "{ge} or more",
    "less_than": "less than {lt}",
    "less_than_equal": "{le} or less",
    "literal_error": "{expected}",
    "too_short": "{min_length} or more of them",
    "too_long": "{max_length} or fewer of them",
    "string_too_short": "{min_length} or more characters",
    "string_too_long": "{max_length} or fewer characters",
    "union_tag_invalid": "one of {expected_tags}",
    "union_tag_not_found": "a setting 'kind'",
    "want": "{want}",
}


def note_validation(
    faults: FaultList,
    place: str,
    error: ValidationError,
    known: Sequence[str],
    *,
    secret: bool = False,
    skip: int = 0,
) -> None:
    """Turn pydantic's errors into faults. `known` are the setting names an unknown one is compared with.

    With `secret`, no value is shown: only its place and kind. `skip` parts of each location are left
    out (the kind that a choice between tables adds).
    """
    items = error.errors(include_url=False, include_input=True)
    for item in items:
        within = [other for other in items if other["loc"][: len(item["loc"])] == item["loc"]]
        if item["type"] == "too_short" and len(within) > 1:
            continue  # pydantic counts the sound ones only; what is wrong in the others is told
        location = [str(part) if isinstance(part, str) else f"#{part + 1}" for part in item["loc"][skip:]]
        kind, value = item["type"], item.get("input")
        context = {k: f"{v:g}" if isinstance(v, float) else v for k, v in item.get("ctx", {}).items()}
        if kind == "missing":
            faults.fault(_joined(place, location), "this setting", "nothing")
        elif kind == "extra_forbidden":
            parent = _joined(place, location[:-1])
            wanted_names = f"known settings only{nearest(location[-1], known)}"
            faults.fault(parent, wanted_names, repr(location[-1]))
        else:
            wanted = _WANTED.get(kind)
            want = wanted.format(**context) if wanted else str(item["msg"]).lower()
            got = "***" if secret else shown(value)
            if kind == "union_tag_invalid":
                location.append("kind")
                value, got = context["tag"], shown(context["tag"])
            if kind in ("union_tag_invalid", "literal_error") and isinstance(value, str) and not secret:
                want += nearest(value, re.findall(r"'([^']*)'", want))
            if kind == "want" and "got" in context:
                got = str(context["got"])
            faults.fault(_joined(place, location), want, got)


def _joined(place: str, location: Sequence[str]) -> str:
    text = place
    for part in location:
        text += part if part.startswith("#") else (f".{part}" if text else part)
    return text or "file"
