"""Why something is so, as a value: a code, what it is about, and its figures. `rules.phrasing` makes the sentence."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from enum import Enum
from typing import Any, Final, TypeAlias

from rules.values.advice import Advice
from rules.values.code import Code

Arg: TypeAlias = "float | int | str | bool | date | Reason | tuple[Arg, ...] | None"
"""SI numbers, words of an enum (a StrEnum), names and ids, days and moments, and reasons within a reason."""


@dataclass(frozen=True, slots=True)
class Reason:
    """Why something is so. `about`: an id; `args`: names with their values, sorted by name."""

    code: Code
    about: str = ""
    args: tuple[tuple[str, Arg], ...] = ()

    def __getitem__(self, name: str) -> Arg:
        """Return an argument by its name. Raises KeyError for one it has not."""
        return dict(self.args)[name]

    @property
    def kind(self) -> tuple[object, ...]:
        """Return what of it is no measured figure and no moment: two of one kind say the same of the same things and days."""
        return self.code, self.about, tuple((name, _kind(arg)) for name, arg in self.args)


def reason(code: Code, about: str = "", **args: Arg) -> Reason:
    """Return a reason with its arguments in order."""
    return Reason(code, about, tuple(sorted(args.items())))


def told(words: str) -> Reason:
    """Return words that somebody else made (a person, a file, an earlier version) as a reason."""
    return Reason(Code.TOLD, "", (("words", words),))


def advised(advice: Advice) -> Reason:
    """Return what the catalogue says to do as a reason."""
    return reason(Code.ADVISED, first=advice.first, rest=advice.rest)


def _kind(arg: Arg) -> object:
    if isinstance(arg, Reason):
        return arg.code if arg.code is Code.TOLD else arg.kind
    if isinstance(arg, tuple):
        return tuple(map(_kind, arg))
    return type(arg) if isinstance(arg, float | datetime) else arg


# ---- as JSON holds it ---------------------------------------------------------------------------------------


Words: TypeAlias = Callable[[Reason], str]
_KNOWN: Final = frozenset(Code)


def plain_reason(one: Reason, words: Words | None = None) -> Any:  # noqa: ANN401 - whatever JSON holds
    """Return a reason as JSON holds it, where wanted with its words; words that were only told are themselves."""
    if one.code is Code.TOLD:
        return one["words"]
    plain = {"code": one.code.value, "about": one.about, "args": {n: _plain(a) for n, a in one.args}}
    return plain if words is None else plain | {"words": words(one)}


def reason_of(plain: Any) -> Reason:  # noqa: ANN401 - whatever JSON holds
    """Return the reason of its plain form: a sentence, as it once was kept, or code, subject and arguments.

    A code that this version does not know is read as the words that were told of it.
    Raises TypeError for what is none, ValueError for an unknown code without its words.
    """
    if isinstance(plain, str):
        return told(plain)
    if not isinstance(plain, Mapping):
        raise TypeError(f"wanted a reason, got {plain!r}")
    if plain["code"] not in _KNOWN and "words" in plain:
        return told(plain["words"])
    args = tuple(sorted((name, _arg(arg)) for name, arg in plain.get("args", {}).items()))
    return Reason(Code(plain["code"]), plain.get("about", ""), args)


def _plain(arg: Arg) -> Any:  # noqa: ANN401 - see above
    if isinstance(arg, Reason):
        return plain_reason(arg) if arg.code is not Code.TOLD else {"words": arg["words"]}
    if isinstance(arg, tuple):
        return [_plain(item) for item in arg]
    if isinstance(arg, datetime):
        return {"moment": arg.isoformat()}
    if isinstance(arg, date):
        return {"day": arg.isoformat()}
    return arg.value if isinstance(arg, Enum) else arg


def _arg(plain: Any) -> Arg:  # noqa: ANN401 - see above
    if isinstance(plain, list):
        return tuple(map(_arg, plain))
    if isinstance(plain, Mapping):
        if "moment" in plain:
            return datetime.fromisoformat(plain["moment"])
        if "day" in plain:
            return date.fromisoformat(plain["day"])
        return reason_of(plain) if "code" in plain else told(plain["words"])
    arg: Arg = plain
    return arg
