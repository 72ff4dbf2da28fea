"""What is said of a system in one sentence, and the figures behind it.

The verdicts are the rules' own. Here they are only put into words, and a margin is only ever the low end of a
hold-up less what is required; where a verdict cannot tell, no figure is promised.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from api.pages.hold_up.last_call import last_call
from api.pages.markup.elements import Element, Nodes, el
from api.pages.markup.format import since
from api.pages.markup.marks import STANDINGS, Standing, line_mark
from collector.read_model.rows.system_row import deciding_need, longest_need, stands
from collector.read_model.sheet import Sheet
from collector.read_model.wall_clock import WallClock
from rules.alarms.conditions.shedding import end_overloads
from rules.phrasing.figures import (
    CANNOT_TELL,
    capital,
    clause,
    count,
    down,
    kilo,
    listed,
    minutes,
    on_banks,
    plural,
    spoken,
)
from rules.phrasing.reasons import say
from rules.phrasing.text import fed_words
from rules.plant.estate import Purpose
from rules.system.state import HoldUp, OnBattery, RequirementVerdict, SystemState
from rules.system.state import Standing as UnitStands
from rules.values.verdict import EndedBy, EndKnown, Verdict

PURPOSES: Final[dict[Purpose, str]] = {
    Purpose.GENERATOR_START: "until the generator carries it",
    Purpose.MANUAL_GENERATOR_START: "for a start by hand",
    Purpose.ORDERLY_SHUTDOWN: "to close down in order",
    Purpose.PLANNED: "for planned work",
}
KNOWN: Final[dict[EndKnown, str]] = {
    EndKnown.CLOSELY: "its end is closely known",
    EndKnown.FAIRLY: "its end is fairly well known",
    EndKnown.ROUGHLY: "its end is only roughly known",
    EndKnown.HARDLY: "its end is hardly known yet: reckon with the earliest",
}


@dataclass(frozen=True, slots=True)
class UnitsLost:
    """Units whose loss leaves the same hold-up, to a tenth of a minute."""

    units: tuple[str, ...]
    hold_up: HoldUp


@dataclass(frozen=True)
class Judged:
    """A system's state with what the sheet asks of it again and again."""

    state: SystemState
    clock: WallClock
    now: datetime
    units: int

    @property
    def standing(self) -> Standing:
        """Return which line stands for the system: bridged, interrupted, dotted, cut, or whole."""
        return STANDINGS[stands(self.state)]

    @property
    def need(self) -> RequirementVerdict | None:
        """Return the requirement the sheet draws: the longest that is known."""
        return longest_need(self.state)

    @property
    def needed_s(self) -> float | None:
        """Return the longest known requirement in seconds."""
        return self.need.required_s if self.need else None

    @property
    def decisive(self) -> RequirementVerdict | None:
        """Return the requirement that decides the sentence: the worst not met, else the longest not told, else the longest."""
        return deciding_need(self.state)

    @property
    def proven(self) -> bool:
        """Return whether a margin may be promised: the need that is drawn is judged, and the sentence is no "cannot tell"."""
        need = self.need
        return (
            need is not None
            and need.verdict is not Verdict.CANNOT_TELL
            and self.standing not in {"unknown", "off"}
        )

    @property
    def losses(self) -> list[UnitsLost]:
        """Return hold-ups with a unit lost, least first, units that leave the same together."""
        groups: dict[tuple[float | None, float | None], list[str]] = {}
        firsts: dict[tuple[float | None, float | None], HoldUp] = {}
        for lost in self.state.hold_up.each_unit_lost:
            held = lost.hold_up
            key = (_tenths(held.low_s), _tenths(held.high_s))
            groups.setdefault(key, []).append(lost.unit)
            firsts.setdefault(key, held)
        order = sorted(groups, key=lambda key: -1.0 if key[0] is None else key[0])
        return [UnitsLost(tuple(groups[key]), firsts[key]) for key in order]

    def lost_words(self) -> str:
        """Return how the loss of the worst single unit is named."""
        return "either unit lost" if self.units == 2 else "any one lost"

    def all_words(self) -> str:
        """Return how all units together are named."""
        if self.units == 1:
            return "its one unit"
        return "both units" if self.units == 2 else f"all {count(self.units)} units"

    def silent(self) -> list[str]:
        """Return the units that are not heard."""
        gone = (UnitStands.SILENT, UnitStands.UNKNOWN)
        return [unit.id for unit in self.state.units if unit.standing in gone]


def judged(sheet: Sheet, state: SystemState) -> Judged:
    """Return a system ready to be put into words, on its site's clock."""
    clock = WallClock(sheet.site(state.id).time_zone, sheet.now)
    return Judged(state, clock, sheet.now, len(sheet.estate.units_of(state.id)) or len(state.units))


def opening(subject: Judged, href: str | None = None) -> list[Nodes]:
    """Return the verdict of a system: its line, its sentence, and the small line under it."""
    state = subject.state
    name: Nodes = el("b", el("a", state.name, href=href) if href else state.name)
    said, why = _told(subject)
    return [
        line_mark(subject.standing),
        el("span", name, " ", said, el("span", why, class_="why") if why else None),
    ]


def _told(subject: Judged) -> tuple[Nodes, Nodes]:
    if subject.standing == "off":
        return _ink("feeds nothing: its load is off."), None
    on = subject.state.on_battery
    return _outage(subject, on) if on else _verdict(subject)


def verdict_words(subject: Judged) -> Nodes:
    """Return the verdict of a system as a sentence that does not name it: its name stands beside it."""
    return _begun(_told(subject)[0])


def _begun(said: Nodes) -> Nodes:
    """Return a sentence with its first letter large."""
    if isinstance(said, str):
        return capital(said)
    if isinstance(said, Element):
        inside = _begun(list(said.children))
        return el(said.tag, inside, class_=said.attribute("class"))
    first, *rest = said or [""]
    return [_begun(first), *rest]


def plain(subject: Judged) -> str:
    """Return the verdict as text, for the one line a screen reader is told when it changes."""
    return f"{subject.state.name}: {_said(subject)}"


def _said(subject: Judged) -> str:
    if subject.state.on_battery:
        return on_banks_words(subject.state).removeprefix("is ")
    decisive = subject.decisive
    match subject.standing:
        case "holds":
            return "rides through"
        case "short":
            return "does not hold what is needed"
        case "off":
            return "feeds nothing, its load is off"
        case _:
            return (
                f"{CANNOT_TELL}, {clause(say(decisive.because[0]))}"
                if decisive and decisive.because
                else CANNOT_TELL
            )


def _verdict(subject: Judged) -> tuple[Nodes, Nodes]:
    held, decisive = subject.state.hold_up, subject.decisive
    if decisive is None:
        known = held.now.low_s
        figure = spoken(known, favours=True) if known is not None else CANNOT_TELL
        return "has no need declared that it could be held against.", f"holds, at the least: {figure}"
    if subject.standing == "unknown":
        reason = clause(say(decisive.because[0])) if decisive.because else "nothing to judge by"
        return f"cannot be judged: {reason}.", _why(subject, decisive)
    if subject.standing == "short":
        return _short(subject, decisive), _why(subject, decisive)
    if subject.units > 1 and held.one_unit_lost.low_s is not None and decisive.required_s is not None:
        if held.one_unit_lost.low_s >= decisive.required_s:
            return f"rides through, and would with {subject.lost_words()}.", _why(subject, decisive)
        return f"rides through with {subject.all_words()}.", _why(subject, decisive)
    return "rides through.", _why(subject, decisive)


def _short(subject: Judged, need: RequirementVerdict) -> Nodes:
    held, lost, needed = (
        subject.state.hold_up.now.low_s,
        subject.state.hold_up.one_unit_lost.low_s,
        need.required_s,
    )
    if needed is None or held is None:
        return [
            el("span", clause(say(need.because[0])) if need.because else "is short", class_="short-ink"),
            ".",
        ]
    if held < needed:
        short = _ink(f"{spoken(needed - held, favours=False)} short.")
        bridged = [PURPOSES[n.purpose] for n in subject.state.requirements if n.verdict is Verdict.ADEQUATE]
        if bridged:
            return [f"holds {' and '.join(bridged)}, but not {PURPOSES[need.purpose]}: ", short]
        return ["does not ride through: ", short]
    if lost is not None and lost < needed:
        fails = [
            unit
            for loss in subject.losses
            for unit in loss.units
            if loss.hold_up.low_s is not None and loss.hold_up.low_s < needed
        ]
        named = f"unit {listed(fails, 'or')} lost" if 0 < len(fails) < subject.units else subject.lost_words()
        alike = (
            len({_tenths(loss.hold_up.low_s) for loss in subject.losses if set(loss.units) & set(fails)}) == 1
        )
        short = _ink(f"{spoken(needed - lost, favours=False)} short{'' if alike else ' at the worst'}.")
        return [f"rides through with {subject.all_words()}; with {named}, ", short]
    return [_ink(f"{clause(say(need.because[0]))}." if need.because else "is short.")]


def _why(subject: Judged, need: RequirementVerdict) -> Nodes:
    held = subject.state.hold_up
    parts: list[str] = []
    if held.now.low_s is not None and subject.proven:
        parts.append(f"holds {spoken(held.now.low_s, favours=True)} at the least")
        if subject.units > 1 and held.one_unit_lost.low_s is not None:
            trips = (
                ", when the others trip by overload"
                if held.one_unit_lost.ended_by is EndedBy.OVERLOAD
                else ""
            )
            parts.append(f"{minutes(held.one_unit_lost.low_s, favours=True)} with a unit lost{trips}")
    if need.required_s is not None:
        parts.append(f"needs {spoken(need.required_s, favours=False)} {PURPOSES[need.purpose]}")
    silent = subject.silent()
    if silent:
        read = [unit.read_at for unit in subject.state.units if unit.id in silent and unit.read_at]
        parts.append(f"last reading {subject.clock.at(max(read))}" if read else "never read")
    return capital(", ".join(parts))


def _asked(power_w: float, state: SystemState) -> str:
    """Return what a system asks, and what gives it: units that are fed give their part beside those on their banks."""
    carrying = [u for u in state.units if u.standing is UnitStands.ON_BATTERY]
    if not carrying:
        return f"{kilo(power_w)} kW"
    if any(u.standing is UnitStands.CARRYING for u in state.units):
        return f"{kilo(power_w)} kW in all, {plural(len(carrying), 'unit')} on {'its bank' if len(carrying) == 1 else 'their banks'}"
    return f"{kilo(power_w)} kW on {plural(len(carrying), 'unit')}"


def on_banks_words(state: SystemState) -> str:
    """Return how a system stands that gives from banks: all of it, or some of its units beside others that are fed."""
    gives = sum(unit.standing is UnitStands.ON_BATTERY for unit in state.units)
    fed = () if state.on_battery is None else state.on_battery.fed
    return on_banks(gives, len(state.units), sum(unit.id in fed for unit in state.units))


def _outage(subject: Judged, on: OnBattery) -> tuple[Nodes, Nodes]:
    clock, now = subject.clock, subject.now
    said: list[Nodes] = [el("b", on_banks_words(subject.state)), ", ", since(on.since, now), " now."]
    if on.starts_failed:
        starts = capital(count(on.starts_failed))
        said.append(
            f" {starts} {'start' if on.starts_failed == 1 else 'starts'} should have brought supply by now."
        )
    mine = sum(unit.id in on.fed for unit in subject.state.units)
    if on.fed and not mine:
        said.append(f" {capital(fed_words(on.fed, ()))}.")
    if on.carried:
        fed = "The unit that is" if mine == 1 else "The units that are"
        said.append(f" {fed} fed can carry the load.")
    elif on.outlasted is not None:
        longer = "It has held longer than was foretold; how long it still holds cannot be told."
        said.append([" ", el("b", longer)])
    elif on.ends_earliest is None:
        said.append([" ", el("b", "How long it holds cannot be told.")])
    elif (call := last_call(on, clock, now)) is not None:
        said.append([" ", call])
    else:
        said.append(
            [
                " ",
                el("b", f"It ends at {clock.second(on.ends_earliest)} at the earliest.", class_="short-ink"),
            ]
        )
    overloads = end_overloads(
        subject.state.id, on, sum(u.standing is UnitStands.ON_BATTERY for u in subject.state.units)
    )
    if overloads is not None:
        said.append([" ", say(overloads)])
    # where others on the supply are fed it is a breaker or a board of their own
    there = f", supply there again since {clock.second(on.offered_since)}" if on.offered_since else ""
    why = [f"{'input' if on.fed else 'mains'} lost {clock.at(on.since)}{there}"]
    power = subject.state.load.power_w
    if power is not None:
        why.append(_asked(power, subject.state))
    if on.ends_earliest and on.ends_latest:
        why.append(
            f"ends {clock.second(on.ends_earliest)} at the earliest, {clock.second(on.ends_latest)} at the latest"
        )
    if on.known:
        why.append(KNOWN[on.known])
    if on.reckoned_since:
        why.append(f"reckoned since {clock.second(on.reckoned_since)}, not read")
    return said, " · ".join(why)


def aside(subject: Judged) -> Element:
    """Return a system in one sentence, while another one is on its banks."""
    mark, words = opening(subject)
    return el("p", mark, " ", words, class_="aside")


def ordered(subjects: Sequence[Judged]) -> list[Judged]:
    """Return systems in the order of the estate, those on their banks first, the one that ends first first."""

    def end(subject: Judged) -> float:
        on = subject.state.on_battery
        return on.ends_earliest.timestamp() if on and on.ends_earliest else 0.0

    lit = sorted((s for s in subjects if s.state.on_battery), key=end)
    return [*lit, *(s for s in subjects if not s.state.on_battery)]


def _ink(words: str) -> Element:
    return el("span", words, class_="short-ink nb")


def _tenths(seconds: float | None) -> float | None:
    return None if seconds is None else down(seconds / 60.0)
