"""Frozen values to plain ones (what JSON holds) and back, by their types alone.

Used for the watch's snapshot. `from_plain(T, to_plain(value)) == value` for dataclasses of numbers, text,
enums, dates, moments, tuples, sets of text and mappings with text keys. A field that a later version adds must have a
default; a field it no longer has is passed over.
"""

from __future__ import annotations

import types
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from datetime import date, datetime
from enum import Enum
from functools import cache
from typing import Any, Final, TypeVar, Union, get_args, get_origin, get_type_hints

T = TypeVar("T")

_AS_IS: Final = frozenset({str, int, float, bool, type(None)})


def to_plain(value: object) -> Any:  # noqa: ANN401, PLR0911 - whatever JSON holds, a line each
    """Return a value as JSON would hold it."""
    if type(value) in _AS_IS:  # most of what there is: the snapshot is made with every change
        return value
    if isinstance(value, Enum):
        return value.value
    if value is None or isinstance(value, str | int | float | bool):
        return value
    if isinstance(value, date):  # a datetime is one too
        return value.isoformat()
    if is_dataclass(value):
        kind: Any = type(value)
        return {name: to_plain(getattr(value, name)) for name in _names(kind)}
    if isinstance(value, Mapping):
        return {str(key): to_plain(item) for key, item in value.items()}
    if isinstance(value, frozenset):  # in an order of its own, so that equal sets have one plain form
        return sorted(to_plain(item) for item in value)
    if isinstance(value, tuple | list):
        return [to_plain(item) for item in value]
    raise TypeError(f"no plain form for {type(value).__name__}")


@cache
def _names(kind: type[Any]) -> tuple[str, ...]:
    return tuple(field.name for field in fields(kind))


def from_plain(kind: type[T], plain: object) -> T:
    """Return a value of type `kind` from its plain form.

    Raises TypeError or ValueError where the plain form does not fit.
    """
    value: T = _read(kind, plain)
    return value


@cache
def _hints(kind: type) -> dict[str, Any]:
    return get_type_hints(kind)


def _read(kind: Any, plain: Any) -> Any:  # noqa: ANN401, PLR0911 - one line for each sort of type
    origin = get_origin(kind)
    if origin in (Union, types.UnionType):
        return _read_union(get_args(kind), plain)
    if origin is tuple:
        return _read_tuple(get_args(kind), plain)
    if origin is frozenset:
        return frozenset(_read(get_args(kind)[0], item) for item in plain)
    if origin is not None and issubclass(origin, Mapping):
        item = get_args(kind)[1]
        return {key: _read(item, value) for key, value in plain.items()}
    if isinstance(kind, type) and is_dataclass(kind):
        hints = _hints(kind)
        return kind(**{name: _read(hints[name], value) for name, value in plain.items() if name in hints})
    if kind is datetime:
        return datetime.fromisoformat(plain)
    if kind is date:
        return date.fromisoformat(plain)
    if isinstance(kind, type) and issubclass(kind, Enum):
        return kind(plain)
    if kind is float and isinstance(plain, int):
        return float(plain)
    if not isinstance(plain, kind):
        raise TypeError(f"wanted {kind}, got {plain!r}")
    return plain


def _read_tuple(args: tuple[Any, ...], plain: Any) -> tuple[Any, ...]:  # noqa: ANN401 - see _read
    if len(args) == 2 and args[1] is Ellipsis:
        return tuple(_read(args[0], item) for item in plain)
    return tuple(_read(arg, item) for arg, item in zip(args, plain, strict=True))


def _read_union(args: tuple[Any, ...], plain: Any) -> Any:  # noqa: ANN401 - see _read
    if plain is None and type(None) in args:
        return None
    others = [arg for arg in args if arg is not type(None)]
    if len(others) == 1:
        return _read(others[0], plain)
    for arg in others:
        if isinstance(arg, type) and isinstance(plain, arg):
            return plain
    raise TypeError(f"no member of {args} fits {plain!r}")
