"""What is asked of a system's hold-up: its units, banks and load at a moment. A value that travels to the judging process."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Final

from rules.plant.estate import Estate, in_place
from rules.system.hold_up.sharing import BoardLoad, PlayBank, PlayUnit
from rules.system.load.usual import Expected
from rules.values.reason import Reason

STEADY_SHARE: Final = 0.02
"""How far a load may move and still be the load before: what it drifts in a hold-up anyway (`sampling.DRIFT_SD`)."""


@dataclass(frozen=True, slots=True)
class HoldUpTask:
    """What the worker needs to play one system: small, and picklable.

    `missing` says why nothing can be played; then the answer is "cannot tell". `bypassed`: the whole
    load hangs on the raw supply. `coldest_c`: the coldest each bank's room gets.
    """

    system: str
    as_of: datetime | None
    units: tuple[PlayUnit, ...]
    banks: tuple[PlayBank, ...]
    asked: BoardLoad
    coldest_c: Mapping[str, float]
    each_lost: bool
    missing: tuple[Reason, ...] = ()
    bypassed: bool = False
    notes: tuple[Reason, ...] = ()


def steadied(task: HoldUpTask, before: HoldUpTask | None) -> HoldUpTask:
    """Return the task with the load of the one before, where the same units carry it and it moved by its noise alone.

    By no more than 2 % of what all lines ask, on every line, in W and in VA: under what the load drifts in a
    hold-up anyway. A slow climb is followed, since what counts is how far it has come from the load that stood.
    """
    if before is None or (task.units, task.banks, task.missing) != (
        before.units,
        before.banks,
        before.missing,
    ):
        return task
    noise_w = STEADY_SHARE * before.asked.total_w
    pairs = ((task.asked.power_w, before.asked.power_w), (task.asked.apparent_va, before.asked.apparent_va))
    same = all(
        now.keys() == then.keys() and all(abs(now[line] - then[line]) <= noise_w for line in now)
        for now, then in pairs
    )
    return replace(task, asked=before.asked) if same else task


def without(task: HoldUpTask, unit: str, expected: Sequence[Expected]) -> HoldUpTask | None:
    """Return the task with a unit out, at the highest load expected on each line; None where not known."""
    highest_w: dict[int, float] = {}
    highest_va: dict[int, float] = {}
    for quarter in expected:
        for line in quarter.lines:
            if line.power_w is None or line.apparent_va is None:
                return None
            highest_w[line.line] = max(highest_w.get(line.line, 0.0), line.power_w)
            highest_va[line.line] = max(highest_va.get(line.line, 0.0), line.apparent_va)
    units = tuple(item for item in task.units if item.id != unit)
    if not highest_w or not units:
        return None
    left = {item.id for item in units}
    banks = tuple(
        PlayBank(bank.id, tuple(u for u in bank.feeds if u in left), bank.strings)
        for bank in task.banks
        if left.intersection(bank.feeds)
    )
    return replace(task, units=units, banks=banks, asked=BoardLoad(highest_w, highest_va), each_lost=False)


def bank_powers(task: HoldUpTask) -> dict[str, float]:
    """Return the output power behind each bank at the start, in W, every unit carrying its part."""
    rated = {unit.id: unit.rating_w for unit in task.units}
    total = sum(rated.values())
    powers = {}
    for bank in task.banks:
        here = [unit for unit in bank.feeds if unit in rated]
        if not here:
            continue
        powers[bank.id] = 0.0
        for unit in here:
            strings = sum(other.strings for other in task.banks if unit in other.feeds)
            powers[bank.id] += task.asked.total_w * rated[unit] / total * bank.strings / strings
    return powers


def powers_with_all(
    estate: Estate, system: str, asked_w: Mapping[str, float], day: date
) -> Mapping[str, float]:
    """Return the output power behind each bank of a system, in W, with every unit in service, each carrying its part.

    `asked_w` is the power behind those that carry now: where a unit is out for work, they carry its part meanwhile.
    """
    banks = estate.banks_of_system(system)
    if not asked_w or all(bank.id in asked_w for bank in banks):
        return asked_w
    fitted = {unit.id: in_place(unit.fitted, day) for unit in estate.units_of(system)}
    rated = {unit: found.rating_w for unit, found in fitted.items() if found is not None}
    total_w, rated_w, powers = (
        sum(asked_w.values()),
        sum(rated.values()),
        dict.fromkeys((b.id for b in banks), 0.0),
    )
    for unit, rating_w in rated.items():
        strings = sum(bank.strings for bank in banks if unit in bank.feeds)
        for bank in banks:
            if unit in bank.feeds:
                powers[bank.id] += total_w * rating_w / rated_w * bank.strings / strings
    return powers
