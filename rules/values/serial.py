"""Frozen values to plain ones (what JSON holds) and back, by their types alone.

Used for the watch's snapshot. `from_plain(T, to_plain(value)) == value` for dataclasses of numbers, text,
enums, dates, moments, tuples, sets of text and mappings with text keys; what is `Any` is plain already. A field that a later
version adds must have a default; a field it no longer has is passed over, and so is one whose metadata say `plain=False`. Reasons are written as `reasons` makes them.
"""

from __future__ import annotations

import types
from collections.abc import Callable, Mapping
from dataclasses import fields, is_dataclass
from datetime import date, datetime
from enum import Enum
from functools import cache
from typing import Any, Final, TypeAlias, TypeVar, Union, cast, get_args, get_origin, get_type_hints

from rules.values.reason import Reason, plain_reason, reason_of

T = TypeVar("T")

Reasons: TypeAlias = Callable[[Reason], Any]
"""How a reason is written: with its code and figures alone, with its words beside, or as its sentence."""

_AS_IS: Final = frozenset({str, int, float, bool, type(None)})


def to_plain(value: object, reasons: Reasons = plain_reason) -> Any:  # noqa: ANN401, PLR0911 - whatever JSON holds, a line each
    """Return a value as JSON would hold it."""
    if type(value) in _AS_IS:  # most of what there is: the snapshot is made with every change
        return value
    if isinstance(value, Enum):
        return value.value
    if value is None or isinstance(value, str | int | float | bool):
        return value
    if isinstance(value, date):  # a datetime is one too
        return value.isoformat()
    if isinstance(value, Reason):
        return reasons(value)
    if is_dataclass(value):
        kind: Any = type(value)
        return {name: to_plain(getattr(value, name), reasons) for name in _names(kind)}
    if isinstance(value, Mapping):
        return {str(key): to_plain(item, reasons) for key, item in value.items()}
    if isinstance(value, frozenset):  # in an order of its own, so that equal sets have one plain form
        return sorted(to_plain(item) for item in value)
    if isinstance(value, tuple | list):
        return [to_plain(item, reasons) for item in value]
    raise TypeError(f"no plain form for {type(value).__name__}")


@cache
def _names(kind: type[Any]) -> tuple[str, ...]:
    return tuple(field.name for field in fields(kind) if field.metadata.get("plain", True))


def from_plain(kind: type[T], plain: object) -> T:
    """Return a value of type `kind` from its plain form.

    Raises TypeError or ValueError where the plain form does not fit.
    """
    value: T = _reader(cast("Any", kind))(plain)
    return value


_Read = Callable[[Any], Any]
_READ_BY: Final[Mapping[Any, _Read]] = {
    datetime: datetime.fromisoformat,
    date: date.fromisoformat,
    Reason: reason_of,
}
"""How values are read that JSON has no form for."""


@cache
def _reader(kind: Any) -> _Read:  # noqa: ANN401, PLR0911 - one line for each sort of type
    """Return what reads values of a type: its form is looked at once, since letters and snapshots hold many."""
    if kind in _READ_BY:
        return _READ_BY[kind]
    if kind is Any:
        return lambda plain: plain
    origin = get_origin(kind)
    if origin in (Union, types.UnionType):
        return _union_reader(get_args(kind))
    if origin is tuple:
        return _tuple_reader(get_args(kind))
    if origin is frozenset:
        member = _reader(get_args(kind)[0])
        return lambda plain: frozenset(map(member, plain))
    if origin is not None and issubclass(origin, Mapping):
        item = _reader(get_args(kind)[1])
        return lambda plain: {key: item(value) for key, value in plain.items()}
    if isinstance(kind, type) and is_dataclass(kind):
        return _dataclass_reader(kind)
    if isinstance(kind, type) and issubclass(kind, Enum):
        return kind

    def read(plain: Any) -> Any:  # noqa: ANN401 - see above
        if kind is float and isinstance(plain, int):
            return float(plain)
        if not isinstance(plain, kind):
            raise TypeError(f"wanted {kind}, got {plain!r}")
        return plain

    return read


def _dataclass_reader(kind: type[Any]) -> _Read:
    readers: dict[str, _Read] = {}

    def read(plain: Any) -> Any:  # noqa: ANN401 - see `_reader`
        if not readers:  # at the first value, not before: a type may hold values of its own kind
            readers.update((name, _reader(hint)) for name, hint in get_type_hints(kind).items())
        return kind(**{name: readers[name](value) for name, value in plain.items() if name in readers})

    return read


def _tuple_reader(args: tuple[Any, ...]) -> _Read:
    if len(args) == 2 and args[1] is Ellipsis:
        item = _reader(args[0])
        return lambda plain: tuple(map(item, plain))
    readers = [_reader(arg) for arg in args]
    return lambda plain: tuple(read(item) for read, item in zip(readers, plain, strict=True))


def _union_reader(args: tuple[Any, ...]) -> _Read:
    others = [arg for arg in args if arg is not type(None)]
    one = _reader(others[0]) if len(others) == 1 else None

    def read(plain: Any) -> Any:  # noqa: ANN401 - see `_reader`
        if plain is None and type(None) in args:
            return None
        if one is not None:
            return one(plain)
        for arg in others:
            if isinstance(arg, type) and isinstance(plain, arg):
                return plain
        raise TypeError(f"no member of {args} fits {plain!r}")

    return read
