"""Will the load be carried through? A scenario played out on a system's banks.

The mains is lost, the set starts or does not, loads are shed or added, a unit is out, the banks are as
they are, full, or at the end of their lives. The result is a time line with an interval for every event,
a verdict with its margin, what was assumed, and what was not checked.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Final

import numpy as np

from rules.autonomy import (
    DRIFT_SD,
    SHARING_SD,
    AtEndOfLife,
    HoldUpTask,
    bank_powers,
    shuffled,
    worst_basis,
)
from rules.battery.belief import BankBelief
from rules.estate import Generator, LoadGroup, Unit
from rules.hold_up import LONGEST_S, Asked, Floats, Played, Shed, Store, percentiles, play_with_sheds
from rules.planning.load_ahead import LoadAhead, QuarterLoad
from rules.planning.safety import ADVICE_ONLY, SAFETY
from rules.planning.supply import FOR_EVER, MainsOut, Mark, OnBanks, SetCase, SetPlan, on_banks
from rules.requirements import minutes
from rules.verdicts import Basis, HoldUp, Verdict

NINETY_PERCENT_BACK_S: Final = (8.0 * 3600.0, 24.0 * 3600.0)
"""Time to give 90 % of the hold-up again, from quick to slow (IEC 62040-3 has makers declare it)."""
SEEN_IN: Final = 0.05
"""An event that happens in fewer draws than this is left out of the time line."""

NOT_CHECKED: Final = (
    "whether the set bears the load and its steps, or the units accept its frequency",
    "changeover gear, breakers, feeds and their labels",
    "cooling while the mains is off, and what the heat does to loads and banks",
    "single blocks: an open cell or a corroded link shows only in a discharge",
)


class BankCase(StrEnum):
    """In which state the banks begin."""

    NOW = "now"
    FULL = "full"
    END_OF_LIFE = "end_of_life"


@dataclass(frozen=True, slots=True)
class ShedStep:
    """A load group to be dropped: at a time, or when no more than so much is left."""

    group: str
    at_s: float | None = None
    when_left_s: float | None = None


@dataclass(frozen=True, slots=True)
class Scenario:
    """What is to be played. Times in s from the scenario's start.

    `load_times` scales the load that stands; `load_added_w` is added by board line, at power factor 0.95.
    `until_s`: how far is looked.
    """

    outages: tuple[MainsOut, ...] = (MainsOut(0.0, None),)
    generator: SetPlan = field(default_factory=SetPlan)
    units_out: frozenset[str] = frozenset()
    sheds: tuple[ShedStep, ...] = ()
    banks: BankCase = BankCase.NOW
    coldest: bool = False
    load_times: float = 1.0
    load_added_w: tuple[tuple[int, float], ...] = ()
    until_s: float = LONGEST_S


@dataclass(frozen=True, slots=True)
class Happening:
    """Something that happens: when (5th, 50th, 95th percentile), to what, and in what share of draws."""

    what: str
    about: str
    low_s: float
    median_s: float
    high_s: float
    share: float = 1.0


@dataclass(frozen=True, slots=True)
class Span:
    """What a system or a unit does between two moments, in the median course."""

    about: str
    state: str
    from_s: float
    until_s: float


class LoadBasis(StrEnum):
    """Where the load that was played comes from."""

    NOW = "now"
    RECORD = "record"


@dataclass(frozen=True, slots=True)
class PlayedLoad:
    """The load that was played at the first stretch on the banks, W, before anything is shed or added.

    `low_w` and `high_w`: its 90 % interval where it comes from the record of the planned hour.
    """

    basis: LoadBasis
    power_w: float
    low_w: float | None = None
    high_w: float | None = None


@dataclass(frozen=True, slots=True)
class Ridethrough:
    """A scenario played out for one system.

    `hold_up`: time from the scenario's start to the loss of the load, None seconds where it is carried
    in that percentile. `margin_s`: what is left at the tightest moment, at the 5th percentile; negative
    where it is not carried; None where there is no end to reach or nothing can be told.
    """

    system: str
    verdict: Verdict
    because: tuple[str, ...]
    carried_share: float | None
    margin_s: float | None
    hold_up: HoldUp | None
    happenings: tuple[Happening, ...]
    timeline: tuple[Span, ...]
    assumptions: tuple[str, ...]
    not_checked: tuple[str, ...] = NOT_CHECKED
    safety: tuple[str, ...] = (SAFETY, ADVICE_ONLY)
    load: PlayedLoad | None = None


@dataclass(frozen=True)
class _Spent:
    """A bank with another used fraction."""

    store: Store
    used: Floats

    @property
    def basis(self) -> Basis:
        return self.store.basis

    def rate_per_s(self, output_power_w: float) -> Floats:
        return self.store.rate_per_s(output_power_w)

    def health_at(self, output_power_w: float) -> Floats:
        return self.store.health_at(output_power_w)

    def beyond_table(self, output_power_w: float) -> bool:
        return self.store.beyond_table(output_power_w)


@dataclass(slots=True)
class _Course:
    """What has happened so far, per draw."""

    used: dict[str, Floats]
    lost_at_s: Floats
    by_overload: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]
    left_s: Floats  # least time left at the end of any stretch
    moments: list[tuple[str, str, Floats]]


def group_load(group: LoadGroup, asked: Asked) -> Asked:
    """Return what a load group takes, its volt-amperes at the power factor of its lines."""
    watts = {line: w for line, w in enumerate(group.watts, start=1) if w and line in asked.power_w}
    return Asked(watts, {line: w * _va_per_w(asked, line) for line, w in watts.items()})


def _va_per_w(asked: Asked, line: int) -> float:
    watts, volt_amperes = asked.power_w.get(line, 0.0), asked.apparent_va.get(line, 0.0)
    return volt_amperes / watts if watts > 0.0 and volt_amperes > 0.0 else 1.0 / 0.95


def ride(
    task: HoldUpTask,
    beliefs: Mapping[str, BankBelief],
    scenario: Scenario,
    *,
    generator: Generator | None,
    units: Sequence[Unit],
    groups: Mapping[str, LoadGroup] | None = None,
    seed: int = 0,
    draws: int = 1000,
    ahead: LoadAhead | None = None,
) -> Ridethrough:
    """Return how a system fares in a scenario. The same inputs and seed give the same result.

    `ahead`: what the record says of the load at the scenario's time; without it the load now is played.

    Raises:
        ValueError: the scenario names a unit or a load group that the system does not have.
    """
    groups = groups or {}
    refuse_strangers(task, scenario, groups)
    stretches, marks = on_banks(scenario.outages, scenario.generator, generator, units)
    first = stretches[0] if stretches else None
    met = None if ahead is None or first is None else ahead.during(first.from_s, first.until_s)
    assumptions = _assumptions(scenario, generator, ahead, met)
    missing = [
        *task.missing,
        *(f"Nothing is known of bank {b.id} yet." for b in task.banks if b.id not in beliefs),
    ]
    missing += [
        f"Neither a run time table nor a rated capacity is known for bank {b.id}."
        for b in task.banks
        if b.id in beliefs and beliefs[b.id].basis is Basis.NONE
    ]
    if missing or not task.units:
        because = missing or ["No unit stands behind the load."]
        return Ridethrough(
            task.system, Verdict.CANNOT_TELL, tuple(because), None, None, None, (), (), tuple(assumptions)
        )
    rng = np.random.default_rng(seed)
    stores = _stores(task, beliefs, scenario, rng, draws)
    drift = rng.normal(0.0, DRIFT_SD, draws)
    sharing = {bank.id: rng.normal(0.0, SHARING_SD, draws) for bank in task.banks}
    spread = {name: np.exp(drift + share) for name, share in sharing.items()}
    back_s = rng.uniform(*NINETY_PERCENT_BACK_S, draws)
    asked = _with_changes(task.asked, scenario)
    course = _Course(
        {name: store.used.copy() for name, store in stores.items()},
        np.full(draws, np.inf),
        np.zeros(draws, dtype=np.bool_),
        np.full(draws, np.inf),
        [],
    )
    above: set[str] = set()
    ended_s = 0.0
    for stretch in stretches:
        if stretch.from_s >= scenario.until_s:
            break
        for name in course.used:  # recharge since the last stretch: exponential, 90 % in `back_s`
            course.used[name] = course.used[name] * 0.1 ** ((stretch.from_s - ended_s) / back_s)
        hour = None if ahead is None else ahead.during(stretch.from_s, stretch.until_s)
        if hour is None:
            played = _stretch(task, stores, course, stretch, scenario, asked, groups, spread)
        else:
            there = _with_changes(hour.asked, scenario)
            moved = _spread_by(hour, task, stores, there, drift / DRIFT_SD, sharing)
            played = _stretch(task, stores, course, stretch, scenario, there, groups, moved)
        above |= played.above_table_at_start
        ended_s = min(stretch.until_s, scenario.until_s)
    result = _result(
        task, scenario, stretches, marks, course, above, assumptions, [s.basis for s in stores.values()]
    )
    load = (
        PlayedLoad(LoadBasis.NOW, task.asked.total_w)
        if met is None
        else PlayedLoad(LoadBasis.RECORD, met.asked.total_w, met.low_w, met.high_w)
    )
    return replace(result, load=load)


def _with_changes(asked: Asked, scenario: Scenario) -> Asked:
    """Return a load as the scenario scales it and adds to it."""
    return asked.times(scenario.load_times).plus(
        Asked(dict(scenario.load_added_w), {line: w / 0.95 for line, w in scenario.load_added_w})
    )


def _spread_by(  # noqa: PLR0917 - what the factors are made of
    hour: QuarterLoad,
    task: HoldUpTask,
    stores: Mapping[str, Store],
    asked: Asked,
    deviates: Floats,
    sharing: Mapping[str, Floats],
) -> dict[str, Floats]:
    """Return the factors on each bank's rate for a load that is known to an interval alone.

    A bank's rate rises with its power to some 1.2 or 1.4, by its own curve; the load's doubt is never less than
    that of the load now.
    """
    sd = max(hour.sd, DRIFT_SD)
    found = {}
    for name, watts in bank_powers(replace(task, asked=asked)).items():
        rate, more = stores[name].rate_per_s(watts), stores[name].rate_per_s(1.1 * watts)
        steepness = float(np.median(np.log(more / rate))) / np.log(1.1) if watts > 0.0 else 1.0
        found[name] = np.exp(steepness * sd * deviates + sharing[name])
    return found


@dataclass(frozen=True)
class EstateTask:
    """One system of an estate, as a scenario for all of them needs it. Fields as `ride` takes them."""

    task: HoldUpTask
    beliefs: Mapping[str, BankBelief]
    generator: Generator | None
    units: Sequence[Unit]
    ahead: LoadAhead | None = None


def ride_estate(
    tasks: Iterable[EstateTask],
    scenario: Scenario,
    *,
    groups: Mapping[str, LoadGroup] | None = None,
    seed: int = 0,
) -> Iterator[Ridethrough]:
    """Yield the results of one scenario for many systems, one at a time, so that progress can be shown.

    Each system is drawn with the same seed, as if it were asked alone.
    """
    groups = groups or {}
    for one in tasks:
        own = own_part(scenario, one.task.system, {unit.id for unit in one.units}, groups)
        yield ride(
            one.task,
            one.beliefs,
            own,
            generator=one.generator,
            units=one.units,
            groups=groups,
            seed=seed,
            ahead=one.ahead,
        )


def own_part(
    scenario: Scenario, system: str, units: AbstractSet[str], groups: Mapping[str, LoadGroup]
) -> Scenario:
    """Return a scenario for a whole estate as one system meets it: its own units out, its own loads shed."""
    sheds = tuple(s for s in scenario.sheds if s.group in groups and groups[s.group].system == system)
    return replace(scenario, units_out=scenario.units_out & units, sheds=sheds)


def refuse_unknown(scenario: Scenario, units: AbstractSet[str], groups: AbstractSet[str]) -> None:
    """Raise ValueError if a scenario for a whole estate names a unit or a load group that nobody has."""
    if strangers := scenario.units_out - units:
        raise ValueError(f"units_out: want units of the estate; got {', '.join(sorted(strangers))}")
    if unknown := {s.group for s in scenario.sheds} - groups:
        raise ValueError(f"sheds: want load groups of the estate; got {', '.join(sorted(unknown))}")


def worst(verdicts: Iterable[Verdict]) -> Verdict:
    """Return what is said of several systems together: inadequate where one is, else cannot tell where one cannot."""
    found = set(verdicts)
    order = (Verdict.INADEQUATE, Verdict.CANNOT_TELL)
    return next((v for v in order if v in found), Verdict.ADEQUATE if found else Verdict.CANNOT_TELL)


def untold(system: str, why: str) -> Ridethrough:
    """Return the answer for a system of which nothing can be played, and why."""
    return Ridethrough(system, Verdict.CANNOT_TELL, (why,), None, None, None, (), (), ())


def refuse_strangers(task: HoldUpTask, scenario: Scenario, groups: Mapping[str, LoadGroup]) -> None:
    """Raise ValueError if a scenario names a unit or a load group that the system does not have."""
    strangers = scenario.units_out - {unit.id for unit in task.units}
    if strangers and not task.missing:
        raise ValueError(
            f"units_out: want units of {task.system} in service; got {', '.join(sorted(strangers))}"
        )
    unknown = [
        s.group for s in scenario.sheds if s.group not in groups or groups[s.group].system != task.system
    ]
    if unknown:
        raise ValueError(f"sheds: want load groups of {task.system}; got {', '.join(unknown)}")


def _stores(
    task: HoldUpTask,
    beliefs: Mapping[str, BankBelief],
    scenario: Scenario,
    rng: np.random.Generator,
    draws: int,
) -> dict[str, Store]:
    """Return the banks in the state the scenario begins with."""
    stores: dict[str, Store] = {}
    for bank in task.banks:
        belief = shuffled(beliefs[bank.id], rng, draws)
        if scenario.banks is BankCase.END_OF_LIFE:
            temperature_c = task.coldest_c[bank.id] if scenario.coldest else belief.temperature_c
            stores[bank.id] = AtEndOfLife(belief, temperature_c)
            continue
        if scenario.banks is BankCase.FULL:
            belief = belief.rested(belief.as_of)
        if scenario.coldest:
            belief = replace(belief, temperature_c=task.coldest_c[bank.id])
        stores[bank.id] = belief
    return stores


def _stretch(  # noqa: PLR0917 - everything a stretch is made of
    task: HoldUpTask,
    stores: Mapping[str, Store],
    course: _Course,
    stretch: OnBanks,
    scenario: Scenario,
    asked: Asked,
    groups: Mapping[str, LoadGroup],
    spread: Mapping[str, Floats],
) -> Played:
    """Play one stretch on the banks, first without end to see what is left, then to its end."""
    spent = {name: _Spent(store, course.used[name]) for name, store in stores.items()}
    sheds = [
        Shed(
            step.group,
            group_load(groups[step.group], asked),
            None if step.at_s is None else step.at_s - stretch.from_s,
            step.when_left_s,
        )
        for step in scenario.sheds
    ]
    lasts_s = min(stretch.until_s, scenario.until_s) - stretch.from_s
    running = np.isinf(course.lost_at_s)

    def run(until_s: float) -> tuple[Played, Mapping[str, Floats]]:
        found = play_with_sheds(
            task.units,
            task.banks,
            spent,
            asked,
            sheds,
            lost=scenario.units_out,
            until_s=until_s,
            spread=spread,
        )
        return found.played, found.shed_at_s

    to_end, shed_at = run(max(LONGEST_S, lasts_s))
    left = np.where(to_end.held, np.inf, to_end.seconds - lasts_s)
    course.left_s = np.where(running, np.minimum(course.left_s, left), course.left_s)
    dropped = running & ~to_end.held & (to_end.seconds < lasts_s)
    course.lost_at_s = np.where(dropped, stretch.from_s + to_end.seconds, course.lost_at_s)
    course.by_overload |= dropped & to_end.by_overload

    def moment(what: str, about: str, at_s: Floats) -> None:
        seen = running & (at_s <= lasts_s) & (at_s <= to_end.seconds)
        course.moments.append((what, about, np.where(seen, stretch.from_s + at_s, np.inf)))

    for name, at_s in to_end.bank_ended_s.items():
        moment("bank ends", name, np.nan_to_num(at_s, nan=np.inf))
    for name, at_s in to_end.unit_left_s.items():
        moment("unit drops out", name, np.nan_to_num(at_s, nan=np.inf))
    before = {step.group for step in scenario.sheds if step.at_s is not None and step.at_s < stretch.from_s}
    for name, at_s in shed_at.items():
        if name not in before:
            moment("shed", name, np.maximum(at_s, 0.0))
    to_return, _ = run(lasts_s)
    course.used.update(to_return.used)
    return to_end


def _result(  # noqa: PLR0917 - gathers the parts
    task: HoldUpTask,
    scenario: Scenario,
    stretches: Sequence[OnBanks],
    marks: Sequence[Mark],
    course: _Course,
    above: set[str],
    assumptions: Sequence[str],
    bases: Sequence[Basis],
) -> Ridethrough:
    carried = float(np.isinf(course.lost_at_s).mean())
    basis = worst_basis(list(bases))
    low, median, high = percentiles(course.lost_at_s)
    ended_by = None
    if carried < 1.0:
        ended_by = (
            Played(course.lost_at_s, np.isinf(course.lost_at_s), course.by_overload, {}, {}, {})
            .hold_up(basis)
            .ended_by
        )
    hold_up = HoldUp(_finite(low), _finite(median), _finite(high), ended_by, basis)
    margin_s = _finite(percentiles(course.left_s)[0])
    endless = any(stretch.until_s == FOR_EVER for stretch in stretches)
    because = []
    if above:
        verdict = Verdict.CANNOT_TELL
        because.append(
            f"Bank {', '.join(sorted(above))} would be asked more power than its table prints: nothing is promised."
        )
    elif np.isinf(low):
        verdict = Verdict.ADEQUATE
        left = "" if margin_s is None else f", with {minutes(margin_s)} to spare at the tightest moment"
        because.append(f"The load is carried through at the least{left}.")
    else:
        verdict = Verdict.INADEQUATE
        because.append(f"The load is lost {minutes(low)} after the start at the earliest.")
        if carried > 0.0:
            because.append(
                f"It is carried through in {int(100.0 * carried)} of 100 courses: not enough to count on."
            )
        if endless:
            because.append("No supply comes back within this scenario: shed, or shut down in order.")
    happenings = [Happening(mark.what, task.system, *(mark.at_s,) * 3) for mark in marks]
    happenings += [h for what, about, at in course.moments if (h := _happening(what, about, at))]
    lost = _happening("load lost", task.system, course.lost_at_s)
    happenings += [lost] if lost else []
    return Ridethrough(
        system=task.system,
        verdict=verdict,
        because=tuple(because),
        carried_share=carried,
        margin_s=None if endless else margin_s,
        hold_up=hold_up,
        happenings=tuple(sorted(happenings, key=lambda h: (h.median_s, h.low_s))),
        timeline=_timeline(task, scenario, stretches, course),
        assumptions=tuple(assumptions),
    )


def _finite(value: float) -> float | None:
    return value if np.isfinite(value) else None


def _happening(what: str, about: str, at_s: Floats) -> Happening | None:
    """Return an event with its interval over the draws in which it happens."""
    known = at_s[np.isfinite(at_s)]
    if known.size < SEEN_IN * at_s.size:
        return None
    return Happening(what, about, *percentiles(known), share=known.size / at_s.size)


def _timeline(
    task: HoldUpTask, scenario: Scenario, stretches: Sequence[OnBanks], course: _Course
) -> tuple[Span, ...]:
    """Return what the system and each unit does, in the median course."""
    lost_s = percentiles(course.lost_at_s)[1]
    end_s = scenario.until_s
    if all(stretch.until_s < FOR_EVER for stretch in stretches) and stretches:
        end_s = min(end_s, stretches[-1].until_s + 3600.0)
    if np.isfinite(lost_s):
        end_s = min(end_s, lost_s + 600.0)
    spans = _spans(task.system, stretches, lost_s, end_s, "load lost")
    for unit in task.units:
        if unit.id in scenario.units_out:
            spans.append(Span(unit.id, "out", 0.0, end_s))
            continue
        left = [at for what, about, at in course.moments if (what, about) == ("unit drops out", unit.id)]
        gone_s = min((percentiles(at)[1] for at in left), default=np.inf)
        spans += _spans(unit.id, stretches, min(gone_s, lost_s), end_s, "down")
    return tuple(spans)


def _spans(about: str, stretches: Sequence[OnBanks], gone_s: float, end_s: float, after: str) -> list[Span]:
    spans, at_s = [], 0.0
    last = min(gone_s, end_s)
    for stretch in stretches:
        if stretch.from_s >= last:
            break
        if stretch.from_s > at_s:
            spans.append(Span(about, "on supply", at_s, stretch.from_s))
        spans.append(Span(about, "on battery", stretch.from_s, min(stretch.until_s, last)))
        at_s = min(stretch.until_s, last)
    if at_s < last:
        spans.append(Span(about, "on supply", at_s, last))
    if gone_s < end_s:
        spans.append(Span(about, after, gone_s, end_s))
    return spans


def _assumptions(
    scenario: Scenario, generator: Generator | None, ahead: LoadAhead | None, met: QuarterLoad | None
) -> list[str]:
    found = [
        _load_words(ahead, met),
        "Units share in proportion to their ratings, to about 2.5 %.",
        "Between outages 90 % of the hold-up comes back in 8 to 24 h, on mains and on the set alike.",
    ]
    if any(step.when_left_s is not None for step in scenario.sheds):
        found.append("Loads shed by what is left come back with the supply.")
    if scenario.banks is BankCase.END_OF_LIFE:
        found.append("Banks give 80 % of their published power: the end of their life.")
    if scenario.generator.case is SetCase.AS_DECLARED and generator is not None:
        found.append(f"The set starts at the last of its {generator.attempts} tries.")
    if generator is None and any(outage.generator for outage in scenario.outages):
        found.append("No set is declared behind this supply.")
    return found


def _load_words(ahead: LoadAhead | None, met: QuarterLoad | None) -> str:
    """Return what the load that was played rests on."""
    if ahead is not None and met is not None:
        return (
            f"The load is what the same hour of the week asked in the last weeks: {met.asked.total_w / 1e3:.1f} kW "
            f"({met.low_w / 1e3:.1f} to {met.high_w / 1e3:.1f}), at the quarter of an hour that asks most."
        )
    stands = (
        "The load stands as given but for what the scenario adds or sheds; it may differ by 2 % as a whole."
    )
    if ahead is None:
        return stands
    return f"No load is on record for the hour that is named: the load now is played. {stands}"
