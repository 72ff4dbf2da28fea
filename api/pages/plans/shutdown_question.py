"""Question 6 as somebody puts it: which system, when, for how long, with the generator or without, what is shed, what is out.

It is asked by the fields of a form and lives in the address, so that it can be sent and kept.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from enum import StrEnum
from typing import Any, Final
from urllib.parse import parse_qs, urlencode
from zoneinfo import ZoneInfo

from rules.planning.ridethrough.scenario import PlannedShed, Scenario
from rules.planning.ridethrough.supply import MainsOut, SetCase, SetPlan
from rules.plant.estate import Estate, Generator

ADDRESS: Final = "/plans"
LONGEST_H: Final = 336.0
"""Two weeks: how far a scenario is looked."""
SHORTEST_H: Final = 1.0 / 60.0
LATEST_SHED_MIN: Final = 24.0 * 60.0
SATURDAY: Final = 5


class GeneratorAsked(StrEnum):
    """What the generator is taken to do."""

    ITSELF = "itself"
    BY_HAND = "hand"
    NOT_AT_ALL = "none"


@dataclass(frozen=True, slots=True)
class ShutdownQuestion:
    """What is asked. `starts_at` is by the clock of the site; `shed_min`: minutes after the start."""

    system: str
    starts_at: datetime
    hours: float
    generator: GeneratorAsked
    sheds: tuple[str, ...] = ()
    shed_min: float = 3.0
    out: str | None = None

    @property
    def moment(self) -> datetime:
        """Return the start, in UTC."""
        return self.starts_at.astimezone(UTC)

    @property
    def address(self) -> str:
        """Return where this question is answered: every part of it stands in the address."""
        pairs: list[tuple[str, str]] = [
            ("system", self.system),
            ("day", f"{self.starts_at:%Y-%m-%d}"),
            ("at", f"{self.starts_at:%H:%M}"),
            ("hours", figure(self.hours)),
            ("generator", self.generator.value),
            *(("shed", group) for group in self.sheds),
            ("shed_min", figure(self.shed_min)),
            *([] if self.out is None else [("out", self.out)]),
        ]
        return f"{ADDRESS}?{urlencode(pairs)}"

    def scenario(self) -> Scenario:
        """Return what is to be played."""
        case = SetCase.BY_HAND if self.generator is GeneratorAsked.BY_HAND else SetCase.AS_DECLARED
        ready = self.generator is not GeneratorAsked.NOT_AT_ALL
        return Scenario(
            (MainsOut(0.0, 3600.0 * self.hours, ready),),
            SetPlan(case),
            frozenset() if self.out is None else frozenset({self.out}),
            tuple(PlannedShed(group, 60.0 * self.shed_min) for group in self.sheds),
        )

    def body(self) -> dict[str, Any]:
        """Return the scenario as the HTTP interface takes it, to be signed as it was played."""
        played = self.scenario()
        return {
            "outages": [
                {"from_s": o.from_s, "for_s": o.for_s, "generator": o.generator} for o in played.outages
            ],
            "generator": {"case": played.generator.case.value},
            "units_out": sorted(played.units_out),
            "sheds": [{"group": s.group, "at_s": s.at_s} for s in played.sheds],
        }


def figure(value: float) -> str:
    """Return a number of a field as a person types it."""
    return f"{value:.2f}".rstrip("0").rstrip(".")


def first_question(estate: Estate, system: str, now: datetime) -> ShutdownQuestion:
    """Return what is asked where nobody says otherwise: next Saturday from 08:00, four hours."""
    local = now.astimezone(ZoneInfo(estate.site_of(system).time_zone))
    ahead = (SATURDAY - local.weekday()) % 7 or 7
    day = local.date() + timedelta(days=ahead)
    starts_at = datetime.combine(day, time(8), local.tzinfo)
    case = GeneratorAsked.ITSELF if estate.generator_of(system) else GeneratorAsked.NOT_AT_ALL
    return ShutdownQuestion(system, starts_at, 4.0, case)


def can(generator: Generator | None) -> tuple[GeneratorAsked, ...]:
    """Return what the generator behind a system can be taken to do."""
    if generator is None:
        return (GeneratorAsked.NOT_AT_ALL,)
    hand = () if generator.hand_start_s is None else (GeneratorAsked.BY_HAND,)
    return (GeneratorAsked.ITSELF, *hand, GeneratorAsked.NOT_AT_ALL)


def asked(estate: Estate, query: str, now: datetime) -> tuple[ShutdownQuestion, tuple[str, ...]]:
    """Return the question that an address holds, and what in it cannot be taken; such a part is as in the first question."""
    given = {key: [v.strip() for v in values] for key, values in parse_qs(query, max_num_fields=64).items()}
    wrong: list[str] = []
    system = _one(given, "system") or next(iter(estate.systems))
    if system not in estate.systems:
        wrong.append(f"There is no system {system[:60]!r}.")
        system = next(iter(estate.systems))
    found = first_question(estate, system, now)
    found = replace(found, starts_at=_start(given, found.starts_at, wrong))
    hours = _number(_one(given, "hours"), found.hours, (SHORTEST_H, LONGEST_H), "h", wrong)
    shed_min = _number(_one(given, "shed_min"), found.shed_min, (0.0, LATEST_SHED_MIN), "min", wrong)
    units = [unit.id for unit in estate.units_of(system)]
    groups = [group.id for group in estate.load_groups.values() if group.system == system]
    sheds = tuple(dict.fromkeys(_known(given.get("shed", []), groups, "load group", wrong)))
    out = next(iter(_known([o for o in given.get("out", []) if o][:1], units, "unit", wrong)), None)
    return (
        replace(
            found,
            hours=hours,
            generator=_generator(given, found.generator, can(estate.generator_of(system)), wrong),
            sheds=sheds,
            shed_min=shed_min,
            out=out,
        ),
        tuple(wrong),
    )


def _one(given: Mapping[str, Sequence[str]], key: str) -> str:
    return given.get(key, [""])[-1]


def _start(given: Mapping[str, Sequence[str]], first: datetime, wrong: list[str]) -> datetime:
    day, at = first.date(), first.timetz().replace(tzinfo=None)
    try:
        day = date.fromisoformat(_one(given, "day") or f"{day:%Y-%m-%d}")
    except ValueError:
        wrong.append(f"The day has to be one like {day:%Y-%m-%d}.")
    try:
        at = time.fromisoformat(_one(given, "at") or f"{at:%H:%M}").replace(tzinfo=None)
    except ValueError:
        wrong.append("The hour has to be one like 08:00.")
    try:
        starts_at = datetime.combine(day, at, first.tzinfo)
        starts_at.astimezone(UTC) + timedelta(hours=LONGEST_H)
    except OverflowError:
        wrong.append(f"The day has to be one like {first:%Y-%m-%d}.")
        return first
    return starts_at


def _number(text: str, first: float, span: tuple[float, float], unit: str, wrong: list[str]) -> float:
    text = text.replace(",", ".")
    if not text:
        return first
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not span[0] <= value <= span[1]:
        wrong.append(f"Want {figure(span[0])} to {figure(span[1])} {unit}; got {text[:20]!r}.")
        return first
    return value


def _generator(
    given: Mapping[str, Sequence[str]],
    first: GeneratorAsked,
    able: Sequence[GeneratorAsked],
    wrong: list[str],
) -> GeneratorAsked:
    text = _one(given, "generator")
    if not text:
        return first
    found = next((case for case in able if case.value == text), None)
    if found is None:
        wrong.append(f"The generator cannot be taken to do {text[:20]!r}: want {', '.join(able)}.")
        return first
    return found


def _known(names: Sequence[str], known: Sequence[str], what: str, wrong: list[str]) -> list[str]:
    strangers = [name for name in names if name not in known]
    if strangers:
        wrong.append(f"This system has no {what} {strangers[0][:60]!r}.")
    return [name for name in names if name in known]
