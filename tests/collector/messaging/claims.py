"""What a message claims of the plant, sentence by sentence, held against what was so when it was said.

A claim is a pattern and what must have been true of the simulated plant. Cards are read every few seconds and messages
are gathered for some more, so a claim about the present counts as true when it was so at any moment of the last
`SEEN_WITHIN_S`. A sentence that no pattern knows claims nothing that is checked here; how many sentences were checked
is counted, so that a story of unknown sentences does not pass for a true one.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from collector.simulation.plant.supply import FeedSource
from collector.simulation.plant.truth import Truth
from collector.simulation.plant.unit import Mode
from rules.plant.estate import Estate

SEEN_WITHIN_S: Final = 17.0
"""A poll at 5 s, a card that refreshes once a second, delays and off-delays of up to 5 s, a window of 5 s, a step."""
LOW_END_OVER: Final = 1.1
_UNITS_OF: Final = {"s": 1.0, "min": 60.0, "h": 3600.0}
_TIME: Final = r"([0-9.]+) (s|min|h)"


@dataclass(frozen=True)
class Moment:
    """The plant at a second of the story."""

    at_s: float
    truth: Truth


@dataclass
class Judge:
    """Holds what is said against the plant. `checked` counts the claims that were looked at."""

    estate: Estate
    moments: list[Moment] = field(default_factory=list)
    checked: int = 0

    def falsehoods(self, data: Mapping[str, Any], at_s: float) -> list[str]:
        """Return what a message says that was not so."""
        lately = [m for m in self.moments if at_s - SEEN_WITHIN_S <= m.at_s <= at_s]
        closing = data["kind"] == "closed"
        found: list[str] = []
        for text in (data["what"], data["do"] or "", *data["details"]):
            for pattern, holds in _CLAIMS:
                for match in re.finditer(pattern, text):
                    self.checked += 1
                    wrong = holds(self, match, lately, data)
                    if wrong:
                        found.append(f"{match.group(0)!r}: {wrong}")
        if closing and data["do"]:
            found.append(f"a closing asks for something: {data['do']}")
        return found

    # --- the plant's words ---------------------------------------------------------------------------------

    def system_named(self, text: str) -> str | None:
        """Return the system whose name comes last before the end of a text."""
        at = {text.rfind(s.name): s.id for s in self.estate.systems.values() if s.name in text}
        return at[max(at)] if at else None

    def units_on(self, truth: Truth, units: Sequence[str]) -> range:
        """Return how many of the units run on their banks; one that walks in is on both, and may be counted or not."""
        surely = sum(truth.mode(u) is Mode.BATTERY for u in units)
        return range(surely, surely + sum(truth.mode(u) is Mode.WALKING_IN for u in units) + 1)

    def on_any(self, truth: Truth, units: Sequence[str]) -> bool:
        return self.units_on(truth, units).stop > 1

    def units_of(self, system: str) -> list[str]:
        return [u.id for u in self.estate.units_of(system)]

    def dead(self, moments: Sequence[Moment], supply: str) -> bool:
        """Return whether nothing stood on a supply's busbar at some of the moments, or at the inputs of all its units."""
        on = {s.id for s in self.estate.systems.values() if s.supply == supply}
        units = [u for u, unit in self.estate.units.items() if unit.system in on]
        return any(
            m.truth.supply(supply).source is FeedSource.NOTHING
            or all(m.truth.state.unit(m.truth.plant.place_of[u]).cut for u in units)
            for m in moments
        )


Holds = Callable[[Judge, "re.Match[str]", Sequence[Moment], Mapping[str, Any]], str | None]


def _supply(judge: Judge, data: Mapping[str, Any]) -> str | None:
    about = data["about"]
    if about in judge.estate.supplies:
        return str(about)
    system = about if about in judge.estate.systems else None
    if about in judge.estate.units:
        system = judge.estate.units[about].system
    if system is None and data["systems"]:
        system = data["systems"][0]["system"]
    return None if system is None else judge.estate.systems[system].supply


def _mains_lost(
    judge: Judge, _m: re.Match[str], lately: Sequence[Moment], data: Mapping[str, Any]
) -> str | None:
    supply = _supply(judge, data)
    return None if supply and judge.dead(lately, supply) else "the supply was not dead"


def _on_battery(
    judge: Judge, m: re.Match[str], lately: Sequence[Moment], _d: Mapping[str, Any]
) -> str | None:
    system = judge.system_named(m.string[: m.start()])
    units = judge.units_of(system) if system else list(judge.estate.units)
    was = {n for x in lately for n in judge.units_on(x.truth, units)}
    # cards are read one after another: while units fall or return, any number between may be what was seen
    return None if was and min(was) <= int(m.group(1)) <= max(was) else f"{sorted(was)} were"


def _fed(judge: Judge, m: re.Match[str], lately: Sequence[Moment], _d: Mapping[str, Any]) -> str | None:
    system = judge.system_named(m.string[: m.start()])
    if system is None:
        return "of no system"
    units = judge.units_of(system)
    was = {len(units) - sum(x.truth.mode(u) is Mode.BATTERY for u in units) for x in lately}
    return None if int(m.group(1)) in was and int(m.group(2)) == len(units) else f"{sorted(was)} were"


def _left(judge: Judge, m: re.Match[str], lately: Sequence[Moment], data: Mapping[str, Any]) -> str | None:
    named = judge.system_named(m.string[: m.start()])
    # what is to be done names no system: it is of the one that the message is about, or of any of its systems
    systems = [named] if named else [s["system"] for s in data["systems"]]
    if not systems:
        return "of no system"
    said_s = float(m.group(1)) * _UNITS_OF[m.group(2)]
    # counted at a moment of the gathering; the low end of a 90 % interval may lie over the truth, but not by much
    true_s = max((x.truth.hold_up(s).seconds or 1e9) for x in (lately[0], lately[-1]) for s in systems)
    return None if said_s <= LOW_END_OVER * true_s else f"{true_s:.0f} s are left in truth"


def _unusable(judge: Judge, moment: Moment, supply: str) -> bool:
    """Return whether nothing stood on a supply or at the inputs of all its units, or a generator that hunts, which no unit takes."""
    hunts = moment.truth.state.supplies[supply].hunts
    return (hunts and moment.truth.supply(supply).source is FeedSource.GENERATOR) or judge.dead(
        [moment], supply
    )


def _starts(judge: Judge, m: re.Match[str], lately: Sequence[Moment], data: Mapping[str, Any]) -> str | None:
    """By the clock so many starts are due: the supply is dead, and has been as long as the declared times add up to."""
    supply = _supply(judge, data)
    generator = judge.estate.generators.get(m.group(2))
    if supply is None or generator is None:
        return "of no generator"
    tries = int(m.group(1))
    due_s = (
        generator.detect_s + tries * generator.crank_s + (tries - 1) * generator.rest_s + generator.start_s
    )
    was = [x.at_s for x in lately if _unusable(judge, x, supply)]
    if not was:
        return "the supply was fed"
    fed = [x.at_s for x in judge.moments if not _unusable(judge, x, supply) and x.at_s < was[-1]]
    on_s = was[-1] - max(fed, default=0.0)
    return None if on_s >= due_s else f"dead for {on_s:.0f} s, due after {due_s:.0f} s"


def _wants_set(
    judge: Judge, _m: re.Match[str], lately: Sequence[Moment], data: Mapping[str, Any]
) -> str | None:
    supply = _supply(judge, data)
    gone = supply is not None and any(_unusable(judge, x, supply) for x in lately)
    return None if gone else "the supply was fed"


def _back(judge: Judge, _m: re.Match[str], lately: Sequence[Moment], data: Mapping[str, Any]) -> str | None:
    back = [s["system"] for s in data["systems"] if s["back_at"] is not None]
    late = [s for s in back if not any(0 in judge.units_on(x.truth, judge.units_of(s)) for x in lately)]
    return f"{late} still run on banks" if late or not back else None


def _carried(
    judge: Judge, _m: re.Match[str], lately: Sequence[Moment], data: Mapping[str, Any]
) -> str | None:
    lost = [s["system"] for s in data["systems"] if any(x.truth.lost(s["system"]) for x in judge.moments)]
    return f"{lost} lost their load" if lost else None


def _soon(judge: Judge, m: re.Match[str], lately: Sequence[Moment], data: Mapping[str, Any]) -> str | None:
    if data["kind"] == "closed":
        return None  # what it says is over was told, and held against the plant, when it began
    system = judge.system_named(m.string[: m.start()] + m.group(0))
    true_s = lately[-1].truth.hold_up(system).seconds if system else None
    on = system is not None and any(judge.on_any(x.truth, judge.units_of(system)) for x in lately)
    # the limit is ten minutes at the cautious end; twice that at the true one is no longer soon
    return None if on and true_s is not None and true_s <= 1300.0 else f"{true_s} s are left in truth"


def _draws(judge: Judge, m: re.Match[str], lately: Sequence[Moment], _d: Mapping[str, Any]) -> str | None:
    units = [u for u in judge.estate.units if u in m.string[: m.start()]]
    if not units:  # advice that names nothing
        return None
    on = [u for u in units if any(judge.on_any(x.truth, [u]) for x in lately)]
    return None if on else "it did not"


_CLAIMS: Final[tuple[tuple[str, Holds], ...]] = (
    (r"Mains lost at [^:]*: \d+ units? (?:still )?on battery", _mains_lost),
    (r"(?<!after )(\d+) units? (?:still )?on battery(?! and)", _on_battery),
    (r"(\d+) of (\d+) units? (?:is|are) fed\b", _fed),
    (rf"(?:It holds |its system holds )?{_TIME} (?:more at the least|left at the least)", _left),
    (r"(\d+) starts? of ([^ ]+) should have brought supply", _starts),
    (
        r"See that [^ ]+ runs|[Ss]tart it by hand|Start the generator by hand|Send somebody to the generator|generator runs",
        _wants_set,
    ),
    (r"No supply for (?!.*?, though \d+ other units)[^.]* within", _wants_set),
    (r"Back on supply(?: after|:)", _back),
    (r"the load was carried", _carried),
    (r"drops its load soon", _soon),
    (r"draws from its bank|still runs on its bank|feeds its load from its bank", _draws),
)
