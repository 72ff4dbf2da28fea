"""The reference of every setting, from the same tables that read them; the handbook is made of it."""

from __future__ import annotations

from dataclasses import dataclass
from inspect import getdoc
from types import UnionType
from typing import Annotated, Literal, Union, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from collector.configuration.centre import file as centre_file
from collector.configuration.loading import LISTS, SECTIONS, tables_within
from collector.configuration.secrets import SECRET_KINDS

_WORDS = {
    "str": "text",
    "int": "whole number",
    "float": "number",
    "bool": "true or false",
    "date": "date",
    "datetime": "date and time",
    "time": "time",
    "CardTarget": "address",
    "Secret": "text",
}


@dataclass(frozen=True, slots=True)
class Setting:
    """One setting: its place, what it takes, what holds when it is left out, what it means.

    `default` is "required" where there is none.
    """

    place: str
    type: str
    default: str
    description: str


def settings_reference() -> list[Setting]:
    """Return every setting of the estate file and of the secrets file, in the order of their tables."""
    found: list[Setting] = []
    for name, kinds in LISTS.items():
        for kind in kinds:
            inside = f"{name} ({kind.model_fields['kind'].description})" if len(kinds) > 1 else name
            found += _settings(kind, f"[[{inside}]]")
    for name, section in SECTIONS.items():
        found += _settings(section, f"[{name}]")
    for secret in SECRET_KINDS:
        needed = " and ".join(name for name, info in secret.model_fields.items() if info.is_required())
        found += _settings(secret, f"secrets file [NAME] ({needed})")
    return found


def centre_settings() -> list[Setting]:
    """Return every setting of a centre's file that an estate file does not have as well, in the order of its tables."""
    return [
        setting
        for name, kind in centre_file.LISTS.items()
        for setting in _settings(kind, f"centre's file [[{name}]]")
    ]


def settings_notes() -> dict[str, str]:
    """Return what is to be known of a whole table, as "[history]", beyond its settings."""
    return {
        f"[{name}]": notes
        for name, section in SECTIONS.items()
        if (notes := getdoc(section).partition("\n\n")[2])  # type: ignore[union-attr] # every table has one
    }


def _settings(kind: type[BaseModel], within: str) -> list[Setting]:
    found: list[Setting] = []
    for name, info in kind.model_fields.items():
        place = f"{within} {info.alias or name}"
        found.append(Setting(place, _type(info), _default(info), info.description or ""))
        for table in tables_within(info.annotation):
            found += _settings(table, place)
    return found


def _default(info: FieldInfo) -> str:
    if info.is_required():
        return "required"
    value = info.default
    if value is None:
        return "none"
    if isinstance(value, BaseModel):
        return "as described"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, tuple):
        return "as described" if any(isinstance(v, BaseModel) for v in value) else str(list(value))
    return f'"{value}"' if isinstance(value, str) else f"{value:g}"


def _type(info: FieldInfo) -> str:
    return _words(info.annotation)


def _words(annotation: object) -> str:  # noqa: PLR0911 - one kind of type after another
    origin, arguments = get_origin(annotation), get_args(annotation)
    if origin is Annotated:
        return _words(arguments[0])
    if origin is Literal:
        return " | ".join(f'"{value}"' for value in arguments)
    if origin in (Union, UnionType):
        return " | ".join(_words(part) for part in arguments if part is not type(None))
    if origin is dict:
        return f"table of {_words(arguments[1])}, by name"
    if origin is tuple:
        inner = _words(arguments[0])
        return f"list of {inner}" if len(arguments) < 2 or arguments[1] is Ellipsis else f"pair of {inner}s"
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return "tables"
    return _WORDS.get(getattr(annotation, "__name__", ""), str(annotation))
