"""How long a system holds: now, with each unit lost, with banks at the end of life. The costly half of the judgement.

A task, the banks' beliefs and a seed go in, a judgement comes out; all are values that travel between
processes, and the same three give the same judgement.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Final

import numpy as np

from rules.battery.assessment.would_tell import Unproven, not_judged
from rules.battery.model.health import LEAST_TAIL, BankBelief
from rules.battery.state import ShownToCarry
from rules.system.hold_up.end_of_life import AtEndOfLife, no_better
from rules.system.hold_up.grounds import banks_beyond_table, nothing_seen, overloads_one_lost, unproven_banks
from rules.system.hold_up.play import Floats, percentiles, play
from rules.system.hold_up.sampling import DRAWS, chance, drifts, sharings, shuffled
from rules.system.hold_up.task import HoldUpTask, bank_powers
from rules.system.state import UNKNOWN_HOLD_UP, EndOfLife, HoldUp, HoldUps, UnitLost
from rules.values.code import Code
from rules.values.reason import Reason, reason
from rules.values.verdict import Basis

NOT_FULL: Final = 0.05
"""Used fraction above which a bank on mains counts as not full again."""


@dataclass(frozen=True, slots=True)
class BankEnds:
    """A bank that ends before its system does: when (5th, 50th, 95th percentile), in what share of draws,
    and what part of all that the banks held at the start is then left."""

    bank: str
    low_s: float
    median_s: float
    high_s: float
    share: float
    left_fraction: float


@dataclass(frozen=True, slots=True)
class HoldUpJudgement:
    """A play's result as it is recorded: it can be made again from its task, beliefs and seed.

    `bank_asked_w`: output power behind each bank at the start; `shown` by bank. `unproven`: the banks that
    nothing was seen of.
    """

    system: str
    as_of: datetime | None
    seed: int
    hold_ups: HoldUps
    load_w: float | None
    bank_asked_w: Mapping[str, float] = field(default_factory=dict)
    shown: Mapping[str, ShownToCarry | None] = field(default_factory=dict)
    missing: tuple[Reason, ...] = ()
    ends: tuple[BankEnds, ...] = ()
    unproven: tuple[Unproven, ...] = ()


def hold_ups(
    task: HoldUpTask, beliefs: Mapping[str, BankBelief], seed: int, draws: int = DRAWS
) -> HoldUpJudgement:
    """Return how long a system holds: now, with each unit lost, with banks at the end of life.

    Sharing and drift of the load are drawn too, 2.5 % a unit and 2 % in all. The same task, beliefs and
    seed give the same judgement.
    """
    missing = list(task.missing)
    missing += not_judged([bank.id for bank in task.banks if bank.id not in beliefs])
    missing += [
        reason(Code.BANK_WITHOUT_TABLE, bank.id)
        for bank in task.banks
        if bank.id in beliefs and beliefs[bank.id].basis is Basis.NONE
    ]
    shown = {bank.id: beliefs[bank.id].shown_to_carry for bank in task.banks if bank.id in beliefs}
    empty = HoldUpJudgement(
        task.system,
        task.as_of,
        seed,
        unknown_hold_ups(tuple(missing)),
        task.asked.total_w,
        shown=shown,
        missing=tuple(missing),
    )
    if task.bypassed:
        why = reason(Code.LOAD_ON_BYPASS)
        return replace(empty, hold_ups=_all_alike(HoldUp(0.0, 0.0, 0.0, None, Basis.TABLE), task, (why,)))
    if missing or not task.units:
        return empty
    if task.asked.total_w <= 0.0:
        return replace(empty, hold_ups=unknown_hold_ups((reason(Code.NO_LOAD_TO_HOLD),)), load_w=0.0)
    return _played(task, beliefs, seed, draws, shown)


def unknown_hold_ups(because: tuple[Reason, ...]) -> HoldUps:
    """Return hold-ups that say "cannot tell", and why."""
    return HoldUps(
        now=UNKNOWN_HOLD_UP,
        one_unit_lost=UNKNOWN_HOLD_UP,
        each_unit_lost=(),
        at_end_of_life=EndOfLife(UNKNOWN_HOLD_UP, UNKNOWN_HOLD_UP),
        because=because,
    )


def _all_alike(hold_up: HoldUp, task: HoldUpTask, because: tuple[Reason, ...]) -> HoldUps:
    lost = tuple(UnitLost(unit.id, hold_up) for unit in task.units)
    return HoldUps(hold_up, hold_up, lost, EndOfLife(hold_up, hold_up), because=because)


def _played(
    task: HoldUpTask,
    beliefs: Mapping[str, BankBelief],
    seed: int,
    draws: int,
    shown: Mapping[str, ShownToCarry | None],
) -> HoldUpJudgement:
    stores = {
        bank.id: shuffled(beliefs[bank.id], chance(seed, f"bank {bank.id}"), draws) for bank in task.banks
    }
    drift = np.exp(drifts(seed, draws))
    spread = {bank.id: drift * np.exp(sharings(seed, task, bank.id, draws)) for bank in task.banks}
    told = {name for name, store in stores.items() if store.low_end_told}
    because = list(task.notes)

    def run(lost: frozenset[str] = frozenset()) -> HoldUp:
        played = play(task.units, task.banks, stores, task.asked, lost=lost, spread=spread, drift=drift)
        because.extend(banks_beyond_table(task, stores, lost, played.above_table))
        left = [bank.id for bank in task.banks if not lost.issuperset(bank.feeds)]
        held = played.hold_up(worst_basis([stores[bank].basis for bank in left]))
        return (
            held if told.issuperset(left) or _tells(held, [stores[bank] for bank in left]) else untold(held)
        )

    now = run()
    each = (
        tuple(UnitLost(unit.id, run(frozenset({unit.id}))) for unit in task.units) if task.each_lost else ()
    )
    recharged = None
    if any(float(np.median(store.used)) > NOT_FULL for store in stores.values()):
        full = {name: store.rested(store.as_of) for name, store in stores.items()}
        recharged = play(task.units, task.banks, full, task.asked, spread=spread, drift=drift).hold_up(
            now.basis
        )
        recharged = recharged if now.low_s is not None else untold(recharged)
        because.append(reason(Code.BANKS_BEING_CHARGED, full_low_s=recharged.low_s))
    old = {bank.id: AtEndOfLife(stores[bank.id], task.coldest_c[bank.id]) for bank in task.banks}
    old_basis = worst_basis([store.basis for store in old.values()])

    def ended(today: HoldUp, lost: frozenset[str] = frozenset()) -> HoldUp:
        held = play(task.units, task.banks, old, task.asked, lost=lost, spread=spread, drift=drift).hold_up(
            old_basis
        )
        return no_better(held, today)

    old_all = ended(now if recharged is None else recharged)
    old_lost = [
        ended(item.hold_up if recharged is None else UNKNOWN_HOLD_UP, frozenset({item.unit})) for item in each
    ]
    unproven = unproven_banks(task, stores)
    asked_w = bank_powers(task)
    return HoldUpJudgement(
        system=task.system,
        as_of=task.as_of,
        seed=seed,
        hold_ups=HoldUps(
            now=now,
            one_unit_lost=_least([item.hold_up for item in each]),
            each_unit_lost=each,
            at_end_of_life=EndOfLife(old_all, _least(old_lost)),
            recharged=recharged,
            because=tuple(
                dict.fromkeys([*nothing_seen(unproven, now, each), *overloads_one_lost(task, each), *because])
            ),
            unproven=tuple(item.bank for item in unproven if not item.aged),
        ),
        load_w=task.asked.total_w,
        bank_asked_w=asked_w,
        shown=shown,
        ends=_ends(task, stores, spread, drift),
        unproven=unproven,
    )


def untold(held: HoldUp) -> HoldUp:
    """Return a hold-up without its low end."""
    return replace(held, low_s=None)


def _tells(held: HoldUp, stores: Sequence[BankBelief]) -> bool:
    """Return whether a system's low end may be said although that of one of its banks may not.

    By the same measure: where all banks were seen and the others carry on when the one in doubt ends, the low end of all
    together is no tail of what is assumed of one.
    """
    if held.low_s is None or held.median_s is None or any(store.unproven for store in stores):
        return False
    return held.low_s >= LEAST_TAIL * held.median_s


def _ends(
    task: HoldUpTask, stores: Mapping[str, BankBelief], spread: Mapping[str, Floats], drift: Floats
) -> tuple[BankEnds, ...]:
    """Return the banks that end a good while before the system, in order."""
    whole = play(task.units, task.banks, stores, task.asked, spread=spread, drift=drift)
    powers = bank_powers(task)
    held = {
        name: np.maximum(store.health_at(powers[name]) - store.used, 0.0) for name, store in stores.items()
    }
    found = []
    for bank, ended_s in whole.bank_ended_s.items():
        early = ended_s < 0.97 * whole.seconds
        if early.mean() < 0.5:
            continue
        low, median, high = percentiles(ended_s[early])
        then = play(task.units, task.banks, stores, task.asked, spread=spread, drift=drift, until_s=median)
        left = sum(np.maximum(held[n] - (then.used[n] - stores[n].used), 0.0) for n in held)
        part = float(np.median(left / np.maximum(sum(held.values()), 1e-9)))
        found.append(BankEnds(bank, low, median, high, float(early.mean()), min(max(part, 0.0), 1.0)))
    return tuple(sorted(found, key=lambda item: item.median_s))


def _least(found: Sequence[HoldUp]) -> HoldUp:
    """Return the shortest by its 5th percentile; unknown where there is none or any is unknown.

    Where a low end is not told but what table and age suggest is, the least of that is returned without one.
    """
    if not found or any(item.low_s is None and item.median_s is None for item in found):
        return UNKNOWN_HOLD_UP
    untold = [item for item in found if item.low_s is None]
    if untold:
        return replace(min(found, key=lambda item: item.median_s or 0.0), low_s=None, basis=untold[0].basis)
    return min(found, key=lambda item: item.low_s or 0.0)


def worst_basis(bases: Sequence[Basis]) -> Basis:
    """Return the least of several grounds: none, generic, table, tested."""
    order = [Basis.NONE, Basis.GENERIC, Basis.TABLE, Basis.TESTED]
    return min(bases, key=order.index, default=Basis.NONE)
