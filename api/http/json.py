"""What only the HTTP interface gives: one unit with its card, and long lists put into JSON piece by piece."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import datetime
from typing import Any, Final

from api.http.answer_forms import Shaped, or_null
from collector.read_model.sheet import CardHealth, Sheet, ShownStarts, ShownUnit
from rules.phrasing.reasons import say
from rules.phrasing.wire import reading_json, to_json
from rules.plant.reading import Doubt, Reading
from rules.plant.unread import OldReading, Unread, unread_reason

UNIT: Final = Shaped(
    "Unit",
    {
        "id": str, "system": str, "reading": Reading | None, "doubts": list[Doubt], "missing": list[str],
        "age_s": float, "read_every_s": float,
        "not_read": or_null(Shaped("NotRead", {"why": Unread, "because": list[str], "for_s": float})),
        "bank": str | None, "banks": list[str], "card": CardHealth | None, "corrections": ShownStarts | None,
        "silent_since": datetime | None,
    },
    "A unit's last reading, its age, what was doubted, how its card keeps up.",
)  # fmt: skip


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
        "because": [say(unread_reason(old.unit, old.why, age_s))],
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
