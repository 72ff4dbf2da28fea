"""A system's hold-up sampled: the costly half of the judgement, made in a worker process.

A task, the banks' beliefs and a seed go in, a judgement comes out; all are values that travel between
processes, and the same three give the same judgement.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Final
from zlib import crc32

import numpy as np

from rules.battery.assessment.would_tell import Unproven, not_judged
from rules.battery.model.ageing import END_OF_LIFE
from rules.battery.model.health import LEAST_TAIL, BankBelief
from rules.battery.state import ShownToCarry
from rules.system.hold_up import BoardLoad, Floats, PlayBank, PlayUnit, percentiles, play, unit_shares
from rules.system.load_record import Expected
from rules.system.requirements import SHOWN_FOR_S, SHOWN_WITHIN
from rules.system.state import UNKNOWN_HOLD_UP, EndOfLife, HoldUp, HoldUps, UnitLost
from rules.values.code import Code
from rules.values.reason import Reason, reason
from rules.values.verdict import Basis, EndedBy

DRAWS: Final = 1000
SEED: Final = 8470
"""All questions are drawn with one seed, each bank with numbers of its own: two answers differ by what was asked."""
NOT_FULL: Final = 0.05
"""Used fraction above which a bank on mains counts as not full again."""
SHARING_SD: Final = 0.025
"""Standard deviation of a unit's part of the load about its equal part (trade: 2 to 5 % of rating)."""
DRIFT_SD: Final = 0.02
"""Standard deviation of the load's mean over a hold-up about the load now."""
STEADY_SHARE: Final = 0.02


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


class AtEndOfLife:
    """A full bank at the end of its life: 80 % of the published power, in its coldest room.

    Never better than it is today: a bank that was seen to give less already is taken as it was seen.
    """

    def __init__(self, belief: BankBelief, temperature_c: float | None) -> None:
        self._today = belief
        self._cold = replace(belief.rested(belief.as_of), temperature_c=temperature_c)

    @property
    def used(self) -> Floats:
        """Return the used fraction: none."""
        return self._cold.used

    @property
    def spent_ws(self) -> None:
        """Return what is spent: of a full bank, nothing."""
        return

    @property
    def by_charge(self) -> Floats | float:
        """Return how far what is spent counts by its charge at another power."""
        return self._cold.by_charge

    def published_ws(self, output_power_w: float) -> Floats:
        """Return what a whole published time gives at this power, W s a cell."""
        return self._cold.published_ws(output_power_w)

    @property
    def basis(self) -> Basis:
        """Return what the curve rests on."""
        return self._cold.basis if self._cold.basis is not Basis.TESTED else Basis.TABLE

    def rate_per_s(self, output_power_w: float) -> Floats:
        """Return d(used) / dt, 1/s; a room that is colder today slows nothing down."""
        return np.maximum(self._cold.rate_per_s(output_power_w), self._today.rate_per_s(output_power_w))

    def health_at(self, output_power_w: float) -> Floats:
        """Return published time at 1/0.8 of the power over that at the power, or what is left today if less."""
        watts = max(self._cold.power_w_per_cell(output_power_w), self._cold.curve.smallest_w)
        health = float(self._cold.curve.seconds(watts / END_OF_LIFE)) / float(self._cold.curve.seconds(watts))
        if self._today.unproven:  # its draws are an assumption: the end of life is none
            return np.full(len(self._cold.used), health)
        return np.minimum(health, self._today.health_at(output_power_w))

    def beyond_reach(self, output_power_w: float) -> bool:
        """Return whether the power is too far above the table's largest."""
        return self._cold.beyond_reach(output_power_w)


def shuffled(belief: BankBelief, rng: np.random.Generator, draws: int = DRAWS) -> BankBelief:
    """Return a belief with `draws` draws in a random order, so that banks vary independently."""
    pick = rng.permutation(draws) if belief.draws == draws else rng.integers(0, belief.draws, draws)
    correction = belief.correction
    return replace(
        belief,
        health=belief.health[pick],
        health_slope=belief.health_slope[pick],
        used=belief.used[pick],
        correction=correction[pick] if isinstance(correction, np.ndarray) else correction,
        steeper=belief.steeper[pick] if isinstance(belief.steeper, np.ndarray) else belief.steeper,
        spent_ws=None if belief.spent_ws is None else belief.spent_ws[pick],
        by_charge=belief.by_charge[pick] if isinstance(belief.by_charge, np.ndarray) else belief.by_charge,
    )


def chance(seed: int, name: str) -> np.random.Generator:
    """Return the random numbers of one bank and one question: the same whatever else is asked, and whenever."""
    return np.random.default_rng((seed, crc32(name.encode())))


def drifts(seed: int, draws: int) -> Floats:
    """Return the drift of the load's mean over a hold-up, ln of a factor, one a draw."""
    return chance(seed, "drift").normal(0.0, DRIFT_SD, draws)


def sharings(seed: int, task: HoldUpTask, bank: str, draws: int) -> Floats:
    """Return how far the unit of a bank is from its equal part of the load, ln of a factor; none where it is alone."""
    return chance(seed, f"share {bank}").normal(0.0, 0.0 if len(task.units) == 1 else SHARING_SD, draws)


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
    drift = drifts(seed, draws)
    spread = {bank.id: np.exp(drift + sharings(seed, task, bank.id, draws)) for bank in task.banks}
    told = {name for name, store in stores.items() if store.low_end_told}
    because = list(task.notes)

    def run(lost: frozenset[str] = frozenset()) -> HoldUp:
        played = play(task.units, task.banks, stores, task.asked, lost=lost, spread=spread)
        because.extend(_beyond(task, stores, lost, played.above_table))
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
        recharged = play(task.units, task.banks, full, task.asked, spread=spread).hold_up(now.basis)
        recharged = recharged if now.low_s is not None else untold(recharged)
        because.append(reason(Code.BANKS_BEING_CHARGED, full_low_s=recharged.low_s))
    old = {bank.id: AtEndOfLife(stores[bank.id], task.coldest_c[bank.id]) for bank in task.banks}
    old_basis = worst_basis([store.basis for store in old.values()])

    def ended(today: HoldUp, lost: frozenset[str] = frozenset()) -> HoldUp:
        held = play(task.units, task.banks, old, task.asked, lost=lost, spread=spread).hold_up(old_basis)
        return _no_better(held, today)

    old_all = ended(now if recharged is None else recharged)
    old_lost = [
        ended(item.hold_up if recharged is None else UNKNOWN_HOLD_UP, frozenset({item.unit})) for item in each
    ]
    unproven = _unproven(task, stores)
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
                dict.fromkeys([*_nothing_seen(unproven, now, each), *_overloads(task, each), *because])
            ),
            unproven=tuple(item.bank for item in unproven if not item.aged),
        ),
        load_w=task.asked.total_w,
        bank_asked_w=asked_w,
        shown=shown,
        ends=_ends(task, stores, spread),
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


def _nothing_seen(unproven: Sequence[Unproven], now: HoldUp, each: Sequence[UnitLost]) -> list[Reason]:
    """Return the banks that nothing was seen of, too long ago or too little, with what is to be expected of them."""
    unseen = [item for item in unproven if not item.aged]
    seen = [item for item in unproven if item.aged]
    if all(held.low_s is not None for held in (now, *(item.hold_up for item in each))):
        seen = []  # a least is told all the same
    aged = tuple(item.bank for item in seen if item.lately_s is None)
    brief = {item.bank: item.lately_s for item in seen if item.lately_s is not None}
    found = []
    if unseen:
        found.append(
            reason(
                Code.BANKS_UNSEEN,
                banks=tuple(item.bank for item in unseen),
                generic=not all(item.basis is Basis.TABLE for item in unseen),
                median_s=now.median_s,
                at_end=now.median_s is not None and now.median_s < SHOWN_FOR_S,
            )
        )
    if aged:
        found.append(reason(Code.BANKS_SEEN_TOO_LONG_AGO, banks=aged))
    if brief:
        found.append(reason(Code.BANKS_SEEN_TOO_BRIEFLY, banks=tuple(brief), lately_s=min(brief.values())))
    return found


def _unproven(task: HoldUpTask, stores: Mapping[str, BankBelief]) -> tuple[Unproven, ...]:
    """Return the banks that nothing was seen of, or too long ago, with what is published for their load now."""
    asked_w = bank_powers(task)
    return tuple(
        Unproven(
            name,
            store.curve.basis,
            asked_w[name],
            float(1.0 / np.median(store.rate_per_s(asked_w[name]))),
            aged=not store.unproven,
            lately_s=_lately_s(store),
        )
        for name, store in stores.items()
        if store.unproven or not store.low_end_told
    )


def _lately_s(store: BankBelief) -> float | None:
    """Return for how long a bank was seen to carry within the time that counts, None where it was not."""
    shown = store.shown_to_carry
    return None if shown is None or store.as_of - shown.at > SHOWN_WITHIN else shown.for_s


def _overloads(task: HoldUpTask, each: Sequence[UnitLost]) -> list[Reason]:
    """Return the losses that the units left do not bear, whatever their banks hold: where, and by how much."""
    found = []
    for item in each:
        left = [unit for unit in task.units if unit.id != item.unit]
        if item.hold_up.ended_by is not EndedBy.OVERLOAD or not left:
            continue
        shares = unit_shares(left, task.asked)
        if shares is not None and all(over <= 1.0 for _, over in shares.values()):
            continue  # they carry it; the last of them trip only once a bank beside them is at its end
        parts = []
        for line in task.asked.power_w:
            behind = [unit for unit in left if line in unit.lines]
            may_w = sum(unit.rating_w / len(unit.lines) for unit in behind)
            may_va = sum(unit.rating_va / len(unit.lines) for unit in behind)
            if behind:
                asked_va = task.asked.apparent_va.get(line, 0.0)
                parts.append((max(task.asked.power_w[line] / may_w, asked_va / may_va), line))
        if parts:
            share, line = max(parts)
            found.append(reason(Code.OVERLOADS_ONE_LOST, item.unit, line=line, share=share))
    return found


def _beyond(
    task: HoldUpTask, stores: Mapping[str, BankBelief], lost: frozenset[str], out_of_reach: frozenset[str]
) -> list[Reason]:
    """Return the banks that are asked more than their table prints, with some units lost."""
    left = replace(task, units=tuple(unit for unit in task.units if unit.id not in lost))
    if not left.units:
        return []
    gone = tuple(sorted(lost))
    found = []
    for name, watts in bank_powers(left).items():
        shortest_s = stores[name].curve.shortest_s
        if name in out_of_reach:
            found.append(reason(Code.BANK_OUT_OF_REACH, name, lost=gone, shortest_s=shortest_s))
        elif stores[name].beyond_table(watts):
            found.append(reason(Code.BANK_BEYOND_TABLE, name, lost=gone, shortest_s=shortest_s))
    return found


def _no_better(then: HoldUp, today: HoldUp) -> HoldUp:
    """Return a hold-up at the end of life, held at that of today with full banks wherever both are known."""

    def lesser(one: float | None, other: float | None) -> float | None:
        return one if one is None or other is None else min(one, other)

    return replace(
        then,
        low_s=lesser(lesser(then.low_s, today.low_s), today.median_s),
        median_s=lesser(then.median_s, today.median_s),
        high_s=lesser(then.high_s, today.high_s),
    )


def _ends(
    task: HoldUpTask, stores: Mapping[str, BankBelief], spread: Mapping[str, Floats]
) -> tuple[BankEnds, ...]:
    """Return the banks that end a good while before the system, in order."""
    whole = play(task.units, task.banks, stores, task.asked, spread=spread)
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
        then = play(task.units, task.banks, stores, task.asked, spread=spread, until_s=median)
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
