"""The JSON of the HTTP interface: the rules' values under the names people and scripts rely on.

One walk for everything: a value's fields become keys as they are called, which is why the vocabulary
in `rules` is named as the interface is. What differs stands in the two tables below. Numbers are
finite or null, times are RFC 3339 in UTC, nothing unknown turns into zero.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import fields, is_dataclass
from datetime import UTC, date, datetime
from enum import Enum
from functools import cache
from typing import Any, ClassVar, Final, Protocol, TypeAlias

from collector.read_model.kept import Bucket
from collector.read_model.sheet import Sheet, ShownUnit
from rules.battery.state import AgeSpan
from rules.phrasing.reasons import say
from rules.planning.isolation.check import Between, Isolation
from rules.plant.reading import Reading
from rules.plant.unread import OldReading, unread_sentence
from rules.system.state import RequirementVerdict, UnitLost
from rules.values.code import Code
from rules.values.reason import Reason, plain_reason

Json: TypeAlias = dict[str, Any] | list[Any] | str | float | bool | None

KEYS: Final[Mapping[type, Mapping[str, str]]] = {
    RequirementVerdict: {"purpose": "for"},
    Bucket: {"start": "from"},
    Isolation: {"from_at": "from", "to_at": "to"},
    Between: {"from_at": "from", "to_at": "to"},
    AgeSpan: {"from_day": "from", "to_day": "to"},
}
"""Fields whose key is not their name: `for` and `from` are words of the language the rules are written in."""

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


def unit_json(sheet: Sheet, unit: str) -> dict[str, Any] | None:
    """Return what `GET /v1/units/{id}` gives, or None for a position the estate does not know.

    A card that never answered gives a null reading, not an empty one.
    """
    if unit not in sheet.estate.units:
        return None
    view = sheet.unit(unit) or ShownUnit(unit)
    reading = view.reading
    banks = [bank.id for bank in sheet.estate.banks_of(unit)]
    return {
        "id": unit,
        "system": sheet.estate.units[unit].system,
        "reading": None if reading is None else reading_json(reading),
        "doubts": [] if reading is None else to_json(reading.doubts),
        "missing": [] if reading is None else list(reading.missing),
        "age_s": to_json(view.age_s),
        "read_every_s": to_json(view.read_every_s),
        "not_read": None if view.not_read is None else _not_read_json(view.not_read, view.age_s),
        "bank": banks[0] if banks else None,
        "banks": banks,
        "card": to_json(view.card),
        "corrections": to_json(view.learnt),
        "silent_since": to_json(view.silent_since),
    }


def _not_read_json(old: OldReading, age_s: float | None) -> dict[str, Any]:
    return {
        "why": old.why.value,
        "because": [unread_sentence(old.unit, old.why, age_s)],
        "for_s": to_json(old.age_s),
    }


def to_bytes(value: object) -> bytes:
    """Return `value` as UTF-8 JSON, compact. A number that is not finite never gets this far."""
    return _text(value).encode("utf-8")


_AT_ONCE: Final = 50


def list_bytes(values: Sequence[object], following: str | None = None, **beside: object) -> bytes:
    """Return a list as `to_bytes` would, `beside` with it, some values at a time: to be run off the event loop.

    Written in one go, thousands of values keep the interpreter, and with it the loop, for tens of milliseconds.
    """
    told = [
        _text(values[n : n + _AT_ONCE]).removeprefix("[").removesuffix("]")
        for n in range(0, len(values), _AT_ONCE)
    ]
    rest = _text({"next": following, **beside})
    return f'{{"items":[{",".join(told)}],{rest[1:]}'.encode()


def _text(value: object) -> str:
    return json.dumps(to_json(value), ensure_ascii=False, allow_nan=False, separators=(",", ":"))


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
    names = KEYS.get(kind, {})
    return tuple((f.name, names.get(f.name, f.name)) for f in fields(kind) if f.name not in leave)


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
