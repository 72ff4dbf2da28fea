"""Why a hold-up is what it is: banks that nothing was seen of, losses that overload the units left, tables that end too soon."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from rules.battery.assessment.would_tell import Unproven
from rules.battery.model.health import BankBelief
from rules.system.hold_up.sharing import unit_shares
from rules.system.hold_up.task import HoldUpTask, bank_powers
from rules.system.requirements import SHOWN_FOR_S, SHOWN_WITHIN
from rules.system.state import HoldUp, UnitLost
from rules.values.code import Code
from rules.values.reason import Reason, reason
from rules.values.verdict import Basis, EndedBy


def nothing_seen(unproven: Sequence[Unproven], now: HoldUp, each: Sequence[UnitLost]) -> list[Reason]:
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


def unproven_banks(task: HoldUpTask, stores: Mapping[str, BankBelief]) -> tuple[Unproven, ...]:
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


def overloads_one_lost(task: HoldUpTask, each: Sequence[UnitLost]) -> list[Reason]:
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


def banks_beyond_table(
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
