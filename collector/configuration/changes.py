"""What is different between two readings of an estate file, in words; of secrets only that they are."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import fields
from typing import Any, Final

from collector.configuration.loading import Configuration
from rules.plant.estate import Estate

_APART: Final = frozenset({"path", "estate", "warnings", "version"})


def differences(before: Configuration, after: Configuration) -> tuple[str, ...]:
    """Return what an estate file declares otherwise than before, one sentence for each entry or table; none if nothing."""
    found = list(_of(before.estate, after.estate, [field.name for field in fields(Estate)]))
    names = [field.name for field in fields(Configuration) if field.name not in _APART]
    return (*found, *_of(before, after, names))


def _of(before: object, after: object, names: list[str]) -> Iterator[str]:
    for name in names:
        old, new = getattr(before, name), getattr(after, name)
        if old == new:
            continue
        if isinstance(old, Mapping | tuple):
            yield from _entries(name, _by_id(old), _by_id(new))
        else:
            yield f"[{name}] is changed"


def _by_id(entries: Mapping[str, Any] | tuple[Any, ...]) -> Mapping[str, Any]:
    """Return entries by what people call them; what has no name is known by its place."""
    if isinstance(entries, Mapping):
        return entries
    named = ((getattr(one, "id", None) or getattr(one, "name", None), one) for one in entries)
    return {str(name or f"#{place}"): one for place, (name, one) in enumerate(named, 1)}


def _entries(name: str, old: Mapping[str, Any], new: Mapping[str, Any]) -> Iterator[str]:
    for key in dict.fromkeys((*old, *new)):
        if key not in new:
            yield f"{name}: {key} is gone"
        elif key not in old:
            yield f"{name}: {key} is new"
        elif old[key] != new[key]:
            yield f"{name}: {key} is changed"
