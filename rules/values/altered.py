"""A value with other fields; the value itself where it has them already."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any, TypeVar

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

V = TypeVar("V", bound="DataclassInstance")


def altered(value: V, **fields: Any) -> V:  # noqa: ANN401 - what the fields hold
    """Return `dataclasses.replace` of a value, or the very value where nothing would differ.

    For values of many fields that are looked at often and seldom change: to compare is cheaper than to make one.
    Raises AttributeError for a field that is none.
    """
    for name, new in fields.items():
        old = getattr(value, name)
        if old is not new and old != new:
            return replace(value, **fields)
    return value
