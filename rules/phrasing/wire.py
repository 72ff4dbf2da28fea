"""The JSON that programs get, over HTTP and a broker alike: the rules' values under the names scripts rely on.

One walk for everything: a value's fields become keys as they are called, or as `json` in a field's metadata says where
the name is a word of the language the rules are written in. Numbers are finite or null, times are RFC 3339 in UTC,
nothing unknown turns into zero. A reason becomes its sentence in `because`, and stands as it is in `reasons` beside it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import fields, is_dataclass
from datetime import UTC, date, datetime
from enum import Enum
from functools import cache
from typing import Any, ClassVar, Final, Protocol, TypeAlias

from rules.phrasing.reasons import say
from rules.plant.reading import Reading
from rules.system.state import UnitLost
from rules.values.code import Code
from rules.values.reason import Reason, plain_reason

Json: TypeAlias = dict[str, Any] | list[Any] | str | float | bool | None

BESIDE: Final = frozenset({"unit", "stamp", "doubts", "missing", "part_at"})
"""Fields of a `Reading` that do not stand inside `reading` but beside it."""


def rfc3339(moment: datetime) -> str:
    """Return `moment` in UTC as RFC 3339 section 5.6 has it, with milliseconds only where there are any.

    Raises ValueError for a time without a zone, since nobody knows when that was.
    """
    if moment.tzinfo is None:
        raise ValueError(f"time: want one with a zone; got {moment.isoformat()}")
    utc = moment if moment.tzinfo is UTC else moment.astimezone(UTC)
    spec = "milliseconds" if utc.microsecond // 1000 else "seconds"
    return utc.replace(tzinfo=None).isoformat(timespec=spec) + "Z"


def to_json(value: object) -> Json:
    """Return `value` as plain JSON values. Raises TypeError for what the interface has no form for."""
    kind = type(value)
    if kind not in _form_of:  # looked up once for each type: answers hold tens of thousands of values
        _form_of[kind] = _found_form(kind)
    return _form_of[kind](value)


_form_of: Final[dict[type, Callable[[Any], Json]]] = {}


def _found_form(kind: type) -> Callable[[Any], Json]:
    for form_of, form in FORMS:
        if issubclass(kind, form_of):
            return form
    if is_dataclass(kind):
        return _fields
    raise TypeError(f"no JSON form for {kind.__name__}")


def reading_json(reading: Reading) -> dict[str, Any]:
    """Return READING: the time, then the groups. Doubts and missing objects stand beside it."""
    return {"at": rfc3339(reading.at)} | _fields(reading, leave=BESIDE)


class _Fielded(Protocol):
    __dataclass_fields__: ClassVar[dict[str, Any]]


def _fields(value: _Fielded, leave: frozenset[str] = frozenset()) -> dict[str, Any]:
    told = {key: to_json(getattr(value, name)) for name, key in _keys(type(value), leave)}
    if "because" in told and (reasons := _reasons(getattr(value, "because", None))):
        told["reasons"] = [plain_reason(one) for one in reasons]
    return told


def _reasons(because: object) -> list[Reason]:
    """Return what stands behind the sentences of a verdict; words that were only told have nothing behind them."""
    several = because if isinstance(because, tuple) else (because,)
    return [one for one in several if isinstance(one, Reason) and one.code is not Code.TOLD]


@cache
def _keys(kind: type[Any], leave: frozenset[str]) -> tuple[tuple[str, str], ...]:
    """Return the fields of a type but those left out, each with its key."""
    return tuple((f.name, f.metadata.get("json", f.name)) for f in fields(kind) if f.name not in leave)


def _unit_lost(value: UnitLost) -> dict[str, Any]:
    return {"unit": value.unit} | _fields(value.hold_up)


def _mapping(value: Mapping[str, object]) -> dict[str, Any]:
    return {str(key): to_json(inner) for key, inner in value.items()}


# First match wins: an Enum before str, since a StrEnum is both; bool before numbers; datetime before date.
FORMS: Final[tuple[tuple[Any, Callable[[Any], Json]], ...]] = (
    (type(None), lambda _: None),
    (Enum, lambda value: to_json(value.value)),
    (bool | int | str, lambda value: value),
    (float, lambda value: value if math.isfinite(value) else None),
    (datetime, rfc3339),
    (date, lambda value: value.isoformat()),
    (Reading, reading_json),
    (Reason, say),
    (UnitLost, _unit_lost),
    (Mapping, _mapping),
    (Sequence | frozenset, lambda value: [to_json(inner) for inner in value]),
)
