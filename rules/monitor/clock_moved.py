"""A clock that was set: every moment noted by it is moved along, so that what lies between two moments stays.

Whoever sets a machine's clock right says that what it showed before was wrong by so much. What was noted by it while
it was wrong is wrong by the same, and once that is moved along nothing lasts longer, ends later or began after now.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import fields, is_dataclass, replace
from datetime import datetime, timedelta
from types import NoneType
from typing import Any, TypeVar, cast

T = TypeVar("T")


def moved(value: T, by: timedelta, *, but: tuple[type, ...] = ()) -> T:
    """Return a value with every moment in it moved by `by`; values of the types `but` stay as they are.

    Looks into dataclasses, mappings and collections; dates without a time of day stay, since they name a day. What
    holds no moment is returned itself.
    """
    return cast("T", _moved(value, by, but))


def _moved(value: object, by: timedelta, but: tuple[type, ...]) -> object:
    new = value
    if isinstance(value, (str, int, float, NoneType, *but)):
        pass
    elif isinstance(value, datetime):
        new = value + by
    elif is_dataclass(value) and not isinstance(value, type):
        old = {field.name: getattr(value, field.name) for field in fields(value) if field.init}
        parts = {name: _moved(part, by, but) for name, part in old.items()}
        changed: dict[str, Any] = {name: part for name, part in parts.items() if part is not old[name]}
        new = replace(value, **changed) if changed else value
    elif isinstance(value, Mapping):
        held = {key: _moved(part, by, but) for key, part in value.items()}
        new = held if any(held[key] is not value[key] for key in held) else value
    elif isinstance(value, tuple | list | set | frozenset | deque):
        items = [_moved(item, by, but) for item in value]
        if any(item is not old for item, old in zip(items, value, strict=True)):
            new = deque(items, value.maxlen) if isinstance(value, deque) else type(value)(items)
    return new
