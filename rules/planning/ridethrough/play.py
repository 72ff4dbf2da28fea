"""Will the load be carried through? A scenario played out on a system's banks.

The mains is lost, the generator starts or does not, loads are shed or added, a unit is out, the banks are as
they are, full, or at the end of their lives. The result is a time line with an interval for every event,
a verdict with its margin, what was assumed, and what was not checked.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from rules.battery.assessment.would_tell import not_judged
from rules.battery.model.health import BankBelief, scaled
from rules.battery.model.recharge import recharged
from rules.planning.ridethrough.load_ahead import LoadAhead, QuarterLoad
from rules.planning.ridethrough.outcome import PlayedCourse, assumptions_of, result_of
from rules.planning.ridethrough.result import PlayedLoad, PlayedLoadBasis, Ridethrough
from rules.planning.ridethrough.scenario import BankCase, Scenario, refuse_strangers
from rules.planning.ridethrough.supply import FOR_EVER, OnBanks, SupplyChange, on_banks
from rules.plant.estate import Generator, LoadGroup, Unit
from rules.system.hold_up.end_of_life import AtEndOfLife
from rules.system.hold_up.play import LONGEST_S, BankStore, Floats, Played
from rules.system.hold_up.sampling import DRIFT_SD, chance, drifts, sharings, shuffled
from rules.system.hold_up.sharing import BoardLoad
from rules.system.hold_up.sheds import Shed, play_with_sheds
from rules.system.hold_up.task import HoldUpTask, bank_powers
from rules.values.code import Code
from rules.values.reason import Reason, reason
from rules.values.verdict import Basis, Verdict

NOTHING_LEFT: Final = 0.02
"""Part of the load under which what is left after shedding is nothing to hold."""


@dataclass(frozen=True)
class _Spent:
    """A bank with another used fraction."""

    store: BankStore
    used: Floats
    spent_ws: Floats | None

    @property
    def basis(self) -> Basis:
        return self.store.basis

    def rate_per_s(self, output_power_w: float) -> Floats:
        return self.store.rate_per_s(output_power_w)

    def health_at(self, output_power_w: float) -> Floats:
        return self.store.health_at(output_power_w)

    @property
    def by_charge(self) -> Floats | float:
        return self.store.by_charge

    def published_ws(self, output_power_w: float) -> Floats:
        return self.store.published_ws(output_power_w)

    def beyond_reach(self, output_power_w: float) -> bool:
        return self.store.beyond_reach(output_power_w)


def group_load(group: LoadGroup, asked: BoardLoad) -> BoardLoad:
    """Return what a load group takes, its volt-amperes at the power factor of its lines."""
    watts = {line: w for line, w in enumerate(group.watts, start=1) if w and line in asked.power_w}
    return BoardLoad(watts, {line: w * _va_per_w(asked, line) for line, w in watts.items()})


def _va_per_w(asked: BoardLoad, line: int) -> float:
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
    stretches, fuel_out_s = _until_fuel_is_out(stretches, scenario)
    first = stretches[0] if stretches else None
    met = None if ahead is None or first is None else ahead.during(first.from_s, first.until_s)
    assumptions = assumptions_of(scenario, generator, ahead, met)
    missing = [
        *task.missing,
        *not_judged([b.id for b in task.banks if b.id not in beliefs]),
    ]
    missing += [
        reason(Code.BANK_WITHOUT_TABLE, b.id)
        for b in task.banks
        if b.id in beliefs and beliefs[b.id].basis is Basis.NONE
    ]
    if missing or not task.units:
        because = missing or [reason(Code.RIDE_NO_UNIT)]
        return Ridethrough(
            task.system, Verdict.CANNOT_TELL, tuple(because), None, None, None, (), (), tuple(assumptions)
        )
    stores = _stores(task, beliefs, scenario, seed, draws)
    drift = drifts(seed, draws)
    sharing = {bank.id: sharings(seed, task, bank.id, draws) for bank in task.banks}
    spread = {name: np.exp(drift + share) for name, share in sharing.items()}
    asked = _with_changes(task.asked, scenario)
    course = PlayedCourse(
        {name: store.used.copy() for name, store in stores.items()},
        {name: store.spent_ws for name, store in stores.items()},
        np.full(draws, np.inf),
        np.zeros(draws, dtype=np.bool_),
        np.full(draws, np.inf),
        [],
    )
    above: set[str] = set()
    ended_s = -_until_start_s(task, scenario, ahead)
    for stretch in stretches:
        if stretch.from_s >= scenario.until_s:
            break
        for name in course.used:
            before = course.used[name]
            course.used[name] = recharged(before, (stretch.from_s - ended_s) / 3600.0)
            course.spent_ws[name] = scaled(course.spent_ws[name], before, course.used[name])
        hour = None if ahead is None else ahead.during(stretch.from_s, stretch.until_s)
        if hour is None:
            played = _stretch(task, stores, course, stretch, scenario, asked, groups, spread, np.exp(drift))
        else:
            there = _with_changes(hour.asked, scenario)
            moved = _spread_by(hour, task, stores, there, drift / DRIFT_SD, sharing)
            played = _stretch(task, stores, course, stretch, scenario, there, groups, moved, np.exp(drift))
        above |= played.above_table_at_start
        ended_s = min(stretch.until_s, scenario.until_s)
    result = result_of(
        task, scenario, stretches, marks, course, above, assumptions, [s.basis for s in stores.values()],
        all_shed_s=all_shed_s(asked, scenario, groups), fuel_out_s=fuel_out_s,
        told=scenario.banks is BankCase.END_OF_LIFE or all(beliefs[b.id].low_end_told for b in task.banks),
        seen=not any(beliefs[b.id].unproven for b in task.banks),
    )  # fmt: skip
    load = (
        PlayedLoad(PlayedLoadBasis.NOW, task.asked.total_w)
        if met is None
        else PlayedLoad(PlayedLoadBasis.RECORD, met.asked.total_w, met.low_w, met.high_w)
    )
    return replace(result, load=load)


def _until_start_s(task: HoldUpTask, scenario: Scenario, ahead: LoadAhead | None) -> float:
    """Return how long the banks charge before a scenario that begins later, from how they are known to be, in s."""
    if ahead is None or task.as_of is None or scenario.banks is not BankCase.NOW:
        return 0.0
    return max((ahead.starts_at - task.as_of).total_seconds(), 0.0)


def _until_fuel_is_out(
    stretches: tuple[OnBanks, ...], scenario: Scenario
) -> tuple[tuple[OnBanks, ...], float | None]:
    """Return the stretches up to when the generator's declared fuel is out, where the mains never comes back, and when that is.

    That a generator does not run for ever is no fault of a plan that gives the mains no end: it is told, and not played,
    unless the scenario itself says how long the fuel lasts.
    """
    last = stretches[-1] if stretches else None
    if (
        last is None
        or last.began is not SupplyChange.FUEL_OUT
        or last.until_s < FOR_EVER
        or scenario.generator.fuel_hours is not None
    ):
        return stretches, None
    return stretches[:-1], last.from_s


def all_shed_s(asked: BoardLoad, scenario: Scenario, groups: Mapping[str, LoadGroup]) -> float | None:
    """Return when the sheds by time have left nothing to carry, s from the start; None where something stays."""
    left = asked
    for step in sorted((s for s in scenario.sheds if s.at_s is not None), key=lambda s: s.at_s or 0.0):
        left = left.plus(group_load(groups[step.group], asked).times(-1.0))
        if left.total_w <= NOTHING_LEFT * asked.total_w:
            return step.at_s
    return None


def _with_changes(asked: BoardLoad, scenario: Scenario) -> BoardLoad:
    """Return a load as the scenario scales it and adds to it."""
    return asked.times(scenario.load_times).plus(
        BoardLoad(dict(scenario.load_added_w), {line: w / 0.95 for line, w in scenario.load_added_w})
    )


def _spread_by(  # noqa: PLR0917 - what the factors are made of
    hour: QuarterLoad,
    task: HoldUpTask,
    stores: Mapping[str, BankStore],
    asked: BoardLoad,
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


def _stores(
    task: HoldUpTask,
    beliefs: Mapping[str, BankBelief],
    scenario: Scenario,
    seed: int,
    draws: int,
) -> dict[str, BankStore]:
    """Return the banks in the state the scenario begins with."""
    stores: dict[str, BankStore] = {}
    for bank in task.banks:
        belief = shuffled(beliefs[bank.id], chance(seed, f"bank {bank.id}"), draws)
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
    stores: Mapping[str, BankStore],
    course: PlayedCourse,
    stretch: OnBanks,
    scenario: Scenario,
    asked: BoardLoad,
    groups: Mapping[str, LoadGroup],
    spread: Mapping[str, Floats],
    drift: Floats,
) -> Played:
    """Play one stretch on the banks, first without end to see what is left, then to its end."""
    spent = {name: _Spent(store, course.used[name], course.spent_ws[name]) for name, store in stores.items()}
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
            drift=drift,
        )
        return found.played, found.shed_at_s

    to_end, shed_at = run(max(LONGEST_S, lasts_s))
    left = np.where(to_end.held, np.inf, to_end.seconds - lasts_s)
    course.left_s = np.where(running, np.minimum(course.left_s, left), course.left_s)
    dropped = running & ~to_end.held & (to_end.seconds < lasts_s)
    course.lost_at_s = np.where(dropped, stretch.from_s + to_end.seconds, course.lost_at_s)
    course.by_overload |= dropped & to_end.by_overload

    def moment(what: Reason, about: str, at_s: Floats) -> None:
        seen = running & (at_s <= lasts_s) & (at_s <= to_end.seconds)
        course.moments.append((what, about, np.where(seen, stretch.from_s + at_s, np.inf)))

    for name, at_s in to_end.bank_ended_s.items():
        moment(reason(Code.HAPPENS_BANK_ENDS), name, np.nan_to_num(at_s, nan=np.inf))
    for name, at_s in to_end.unit_left_s.items():
        moment(reason(Code.HAPPENS_UNIT_DROPS_OUT), name, np.nan_to_num(at_s, nan=np.inf))
    before = {step.group for step in scenario.sheds if step.at_s is not None and step.at_s < stretch.from_s}
    for name, at_s in shed_at.items():
        if name not in before:
            moment(reason(Code.HAPPENS_SHED), name, np.maximum(at_s, 0.0))
    to_return, _ = run(lasts_s)
    course.used.update(to_return.used)
    course.spent_ws.update(to_return.spent_ws)
    return to_end
