"""A site's name put before its things, so that two sites may each have a unit A1: `north:A1`.

A value of the rules is gone through by its types. What is a text and the id of something the site declares gets the name;
words of an enum are no texts, and fields that hold what people or makers wrote are left alone. In a reason only the arguments
that carry ids are looked at: the others are figures, and words that its sentence compares. Sentences that were told keep the words
they were told in.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import fields, is_dataclass, replace
from enum import Enum
from functools import cache
from typing import Any, Final, TypeVar, cast

from collector.storage.ledger.records import IncidentLine, JournalLine
from rules.alarms.catalogue import CATALOGUE
from rules.alarms.incidents.incident import Incident
from rules.alarms.lifecycle.alarm import Alarm
from rules.plant.estate import Estate, System
from rules.system.state import SystemState
from rules.values.reason import Arg, Reason
from rules.values.serial import from_plain, to_plain

T = TypeVar("T")

SEPARATOR: Final = ":"
"""No id of an estate file holds one."""
_WRITTEN: Final = frozenset(
    {
        "agent_software", "author", "basis", "by", "card_alarms", "detail", "engine_id", "kind", "manufacturer", "missing",
        "model", "name", "note", "object", "program", "raw", "result", "schema", "start_id", "step", "text", "tightest_limit",
        "time_zone", "title", "type", "ups_software", "used", "version", "who", "words",
    }
)  # fmt: skip
"""Fields that hold words, of people, makers or the interface: never an id."""
CARRYING: Final = frozenset(
    {
        "bank", "banks", "beside", "generator", "gone", "groups", "lost", "partner", "peers", "shed", "system", "units", "worst",
    }
)  # fmt: skip
"""Arguments of reasons that carry ids."""
_CARD_IS: Final = "card_is_"
"""How a check begins whose name ends in a unit's id (`rules.planning.isolation.rows`)."""


class SiteNames:
    """Puts the name of one site before the things that it declares."""

    def __init__(self, site: str, estate: Estate) -> None:
        self.site = site
        boards = (f"{s.supply}/{s.board}" for s in estate.systems.values() if s.board is not None)
        things = (
            estate.sites, estate.supplies, estate.generators, estate.systems, estate.units, estate.cards, estate.banks,
            estate.load_groups,
        )  # fmt: skip
        self._called = {site.id: site.name for site in estate.sites.values()}
        self._ids = frozenset(name for of in things for name in of) | frozenset(boards)

    def of(self, thing: str) -> str:
        """Return the name of a thing at the centre. The site that a collector is called by keeps its name."""
        return thing if thing == self.site else f"{self.site}{SEPARATOR}{thing}"

    def put(self, value: T) -> T:
        """Return a value with the site's name before every thing in it."""
        return cast("T", self._put(value))

    def _put(self, value: Any) -> Any:  # noqa: ANN401, PLR0911 - whatever the rules hold, a line each
        if type(value) is str:
            return self._text(value)
        if value is None or isinstance(value, Enum | int | float):
            return value
        if isinstance(value, Reason):
            return self._reason(value)
        if isinstance(value, tuple):
            return tuple(map(self._put, value))
        if isinstance(value, frozenset):
            return frozenset(map(self._put, value))
        if isinstance(value, Mapping):
            return {self._put(key): self._put(item) for key, item in value.items()}
        if isinstance(value, JournalLine):
            return self._line(value)
        if isinstance(value, IncidentLine):
            return self._incident_line(value)
        if isinstance(
            value, System | SystemState
        ):  # people know a system by its name, and each site has a "Treatment works"
            return replace(
                self._fields(value), name=f"{self._called.get(value.site, self.site)}: {value.name}"
            )
        if isinstance(value, Alarm):
            # whatever it is about, be it the service itself: each site has one of its own
            value = replace(value, about=self.of(value.about), incident=self._always(value.incident))
            return self._fields(value, but=frozenset({"about", "incident"}))
        if isinstance(value, Incident):
            value = replace(
                value,
                id=self.of(value.id),
                key=self.of(value.key),
                about=self.of(value.about),
                part_of=self._always(value.part_of),
                told_in=self._always(value.told_in),
            )
            return self._fields(value, but=frozenset({"id", "key", "about", "part_of", "told_in"}))
        return self._fields(value) if is_dataclass(value) else value

    def _fields(self, value: Any, but: frozenset[str] = frozenset()) -> Any:  # noqa: ANN401 - any dataclass
        changed = {}
        kind: Any = type(value)
        for name in _names(kind):
            before = getattr(value, name)
            if name not in but and not (name in _WRITTEN and _is_words(before)):
                after = self._put(before)
                if after is not before:
                    changed[name] = after
        return replace(value, **changed) if changed else value

    def _text(self, text: str) -> str:
        if text in self._ids:
            return self.of(text)
        if text.startswith(_CARD_IS) and text.removeprefix(_CARD_IS) in self._ids:
            return _CARD_IS + self.of(text.removeprefix(_CARD_IS))
        kind, colon, about = text.partition(":")
        return f"{kind}:{self.of(about)}" if colon and kind in CATALOGUE else text  # the id of an alarm

    def _always(self, thing: str | None) -> str | None:
        return None if thing is None else self.of(thing)

    def _reason(self, one: Reason) -> Reason:
        args = tuple((name, self._arg(arg, carries=name in CARRYING)) for name, arg in one.args)
        return Reason(one.code, self._text(one.about), args)

    def _arg(self, arg: Arg, *, carries: bool) -> Arg:
        if isinstance(arg, Reason):
            return self._reason(arg)
        if isinstance(arg, tuple):
            return tuple(self._arg(one, carries=carries) for one in arg)
        return self._text(arg) if carries and type(arg) is str else arg

    def _line(self, line: JournalLine) -> JournalLine:
        return replace(
            line,
            about=self.site if line.about is None else self.of(line.about),
            incident=self._always(line.incident),
            alarm=None if line.alarm is None else self._text(line.alarm),
        )

    def _incident_line(self, line: IncidentLine) -> IncidentLine:
        """Return an incident with its body, where that is one that this version can read."""
        body = line.body
        with suppress(
            TypeError, ValueError, KeyError
        ):  # of a later version: kept as it came, and passed over when shown
            body = to_plain(self.put(from_plain(Incident, body)))
        return replace(line, id=self.of(line.id), about=self.of(line.about), body=body)


@cache
def _names(kind: type[Any]) -> tuple[str, ...]:
    return tuple(field.name for field in fields(kind))


def _is_words(value: object) -> bool:
    return type(value) is str or (isinstance(value, tuple) and all(type(one) is str for one in value))
