"""The form of answers, for the OpenAPI document: read off the values that are answered, as the wire writes them.

Most answers are the rules' own values put into JSON by one walk (`rules.phrasing.wire`). Their form is made by the same
walk over their types, so that it cannot say anything else: the keys, what may be null, what an enumeration may hold.
What a route puts together itself is said by `Shaped`.
"""

from __future__ import annotations

import inspect
import types
from collections.abc import Callable, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, fields, is_dataclass
from datetime import date, datetime
from enum import Enum
from typing import Any, Final, Literal, Union, get_args, get_origin, get_type_hints

from rules.phrasing.wire import BESIDE
from rules.plant.reading import Reading
from rules.system.state import UnitLost
from rules.values.reason import Reason

Form = dict[str, Any]
PLACE: Final = "#/components/schemas/"
ANYTHING: Final[Form] = {}
REASONS: Final[Form] = {
    "type": "array",
    "items": {
        "type": "object",
        "properties": {"code": {"type": "string", "description": "kind of reason"}},
        "required": ["code"],
    },
    "description": "the reasons as values: their kind and figures; left out where none has any",
}
_PLAIN: Final[Mapping[Any, Form]] = {
    type(None): {"type": "null"},
    bool: {"type": "boolean"},
    int: {"type": "integer"},
    str: {"type": "string"},
    float: {"type": ["number", "null"]},
    datetime: {"type": "string", "format": "date-time"},
    date: {"type": "string", "format": "date"},
    object: ANYTHING,
    Any: ANYTHING,
    Reason: {"type": "string", "description": "a sentence"},
}


@dataclass(frozen=True, slots=True)
class Shaped:
    """An object that a route puts together: its name, its keys, each with a type or a form, and what it is."""

    name: str
    keys: Mapping[str, Any]
    says: str = ""


def items_of(kind: object, says: str = "", **beside: object) -> Shaped:
    """Return the form of a list as the interface gives it: `items`, `next`, and what stands beside them."""
    name = kind.name if isinstance(kind, Shaped) else getattr(kind, "__name__", str(kind))
    keys = {"items": {"type": "array", "items": form_of(kind)}, "next": str | None, **beside}
    return Shaped(f"{name}List", keys, says)


def or_null(kind: object) -> Form:
    """Return the form of what may be missing."""
    return _any_of([form_of(kind), _PLAIN[type(None)]])


def form_of(kind: Any) -> Form:  # noqa: ANN401 - a type, which has none
    """Return the form of a type's values. Raises TypeError for one that the wire has no form for."""
    for fits, made in _WAYS:
        if fits(kind):
            return made(kind)
    raise TypeError(f"no form for {kind!r}")


def _shaped(kind: Shaped) -> Form:
    if kind.name not in _made:
        _made[kind.name] = _object({key: form_of(of) for key, of in kind.keys.items()}, kind.says)
    return {"$ref": PLACE + kind.name}


def _any_of(forms: Sequence[Form]) -> Form:
    fresh: list[Form] = []
    for form in forms:
        if form == {"type": "null"} and any("null" in one.get("type", ()) for one in fresh):
            continue  # a number may be null anyway
        if form not in fresh:
            fresh.append(form)
    return fresh[0] if len(fresh) == 1 else {"anyOf": fresh}


def _gathered(origin: Any, of: Sequence[Any]) -> Form:  # noqa: ANN401 - a type, which has none
    if issubclass(origin, Mapping):
        return {"type": "object", "additionalProperties": form_of(of[1])}
    if issubclass(origin, tuple) and not (len(of) == 2 and of[1] is Ellipsis):
        parts = [form_of(one) for one in of]
        return {"type": "array", "prefixItems": parts, "minItems": len(parts), "maxItems": len(parts)}
    if issubclass(origin, Sequence | AbstractSet):
        return {"type": "array", "items": form_of(of[0])}
    raise TypeError(f"no form for {origin!r}")


_made: Final[dict[str, Form]] = {}


def _named(kind: type[Any]) -> Form:
    name = kind.__name__
    if name not in _made:
        _made[name] = {}  # it may hold itself
        _made[name] = _of_fields(kind)
    return {"$ref": PLACE + name}


def _of_fields(kind: type[Any]) -> Form:
    says = inspect.getdoc(kind) or ""
    if kind is Reading:
        return _object({"at": form_of(datetime), **_keys(kind, BESIDE)}, says)
    if kind is UnitLost:
        held = get_type_hints(kind)["hold_up"]
        return _object({"unit": form_of(str), **_keys(held, frozenset())}, says)
    return _object(_keys(kind, frozenset()), says)


def _keys(kind: type[Any], leave: frozenset[str]) -> dict[str, Form]:
    hints = get_type_hints(kind)
    return {
        f.metadata.get("json", f.name): form_of(hints[f.name]) for f in fields(kind) if f.name not in leave
    }


def _object(keys: Mapping[str, Form], says: str) -> Form:
    form: Form = {
        "type": "object",
        "properties": dict(keys),
        "required": list(keys),
        "additionalProperties": False,
    }
    if "because" in keys:
        form["properties"]["reasons"] = REASONS
    return {"description": says, **form} if says else form


_WAYS: Final[tuple[tuple[Callable[[Any], bool], Callable[[Any], Form]], ...]] = (
    (lambda kind: isinstance(kind, dict), lambda form: form),
    (lambda kind: isinstance(kind, Shaped), _shaped),
    (lambda kind: kind in _PLAIN, lambda kind: _PLAIN[kind]),
    (lambda kind: kind is dict, lambda _: {"type": "object"}),
    (
        lambda kind: get_origin(kind) in {Union, types.UnionType},
        lambda kind: _any_of([form_of(one) for one in get_args(kind)]),
    ),
    (lambda kind: get_origin(kind) is Literal, lambda kind: {"enum": list(get_args(kind))}),
    (lambda kind: get_origin(kind) is not None, lambda kind: _gathered(get_origin(kind), get_args(kind))),
    (
        lambda kind: isinstance(kind, type) and issubclass(kind, Enum),
        lambda kind: {"enum": [member.value for member in kind]},
    ),
    (lambda kind: isinstance(kind, type) and is_dataclass(kind), _named),
)
"""How a type's form is found: the first that fits."""


def components() -> dict[str, Form]:
    """Return every named form that was asked for, by name."""
    return dict(sorted(_made.items()))
