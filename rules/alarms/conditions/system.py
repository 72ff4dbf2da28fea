"""What one judgement of a system says of its alarms."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import datetime

from rules.alarms.catalogue import AlarmKind
from rules.alarms.conditions.comparison import partner_condition, sibling_conditions
from rules.alarms.conditions.condition import Condition, Known, Was
from rules.alarms.conditions.outage import outage_conditions
from rules.alarms.conditions.unit_work import unit_work_conditions
from rules.alarms.lifecycle.course import Observation
from rules.plant.estate import Estate
from rules.system.state import Against, HoldUps, LoadBasis, Redundancy, SystemState
from rules.values.code import Code
from rules.values.reason import reason
from rules.values.verdict import Basis, Verdict


def system_conditions(
    state: SystemState,
    estate: Estate,
    catalogue: Mapping[str, AlarmKind],
    *,
    was: Was,
    known: Known,
    at: datetime,
) -> Iterator[Condition]:
    """Yield every condition that one judgement of a system decides, as it is said at `at`."""
    yield from _requirements(state, catalogue["requirement_not_met"], was)
    yield _unproven(state)
    yield from _redundancy(state, catalogue["redundancy_lost"], was)
    yield _imbalance(state, catalogue["phase_imbalance"], was)
    yield from sibling_conditions(state, known)
    yield partner_condition(state, catalogue["cannot_take_partner"], was)
    yield from unit_work_conditions(state, estate)
    yield from outage_conditions(state, estate, catalogue["ends_soon"], was=was, at=at)


def _unproven(state: SystemState) -> Condition:
    """Return the one warning of a system whose banks nothing was seen of; it says what would tell, least effort first."""
    held = state.hold_up
    unknown = held.now.low_s is None and held.now.median_s is None and not held.unproven
    if (
        unknown or state.on_battery is not None
    ):  # nobody is told of it in an outage, which may prove the banks
        return Condition("banks_unproven", state.id, Observation(None))
    banks = tuple(sorted(held.unproven))
    what = reason(Code.BANKS_UNPROVEN, state.id, name=state.name, banks=banks) if banks else None
    do = held.would_tell[0].step if held.would_tell else None
    return Condition("banks_unproven", state.id, Observation(bool(held.unproven), what, do))


def _requirements(state: SystemState, kind: AlarmKind, was: Was) -> Iterator[Condition]:
    """Yield whether each need is met, and whether that can be told.

    Where it is banks that nothing was seen of that leave it open, that is said once (`banks_unproven`), and what
    table and age alone suggest raises nothing. Nor does it end what was found and is still found: a need that falls short
    goes on doing so where a bank's own discharge can no longer be counted.
    """
    for need in state.requirements:
        unseen = bool(state.hold_up.unproven) and need.basis is not Basis.TESTED
        still = need.verdict is Verdict.INADEQUATE and was(kind.id, need.id)
        if unseen and need.verdict is not Verdict.ADEQUATE and not still:
            yield Condition(kind.id, state.id, Observation(False), need.id)
            yield Condition("requirement_unknown", state.id, Observation(False), need.id)
            continue
        known = need.verdict is not Verdict.CANNOT_TELL
        inadequate = need.verdict is Verdict.INADEQUATE
        near = need.margin_s is not None and kind.bound.passed(need.margin_s, was=was(kind.id, need.id))
        # on its banks a system is asked to last, not to be ready for another failure: that is judged when it is fed
        present = None if state.on_battery is not None or not known else inadequate or near
        because = need.because[:1]
        what = None
        if need.required_s is not None and need.margin_s is not None:
            what = reason(
                Code.REQUIREMENT_MARGIN,
                state.id,
                name=state.name,
                purpose=need.purpose,
                required_s=need.required_s,
                held_s=max(need.required_s + need.margin_s, 0.0),
                lost=_worst_lost(state.hold_up) if need.against is Against.ONE_UNIT_LOST else None,
            )
        elif because:
            what = reason(Code.REQUIREMENT_WHY, state.id, name=state.name, because=because[0])
        yield Condition(
            kind.id,
            state.id,
            Observation(present, what, facts={"margin_s": need.margin_s}),
            need.id,
        )
        open_still = reason(
            Code.REQUIREMENT_UNKNOWN, state.id, name=state.name, purpose=need.purpose, because=because
        )
        unknown = Observation(_unknown(state, known=known), open_still)
        yield Condition("requirement_unknown", state.id, unknown, need.id)


def _unknown(state: SystemState, *, known: bool) -> bool | None:
    """Return whether a question of readiness is open: on its banks a system is asked to last, and that is told."""
    return None if state.on_battery is not None and not known else not known


def _worst_lost(hold_up: HoldUps) -> str | None:
    """Return the unit whose loss leaves the shortest hold-up, or None where that is not known."""
    known = [
        (lost.hold_up.low_s, lost.unit) for lost in hold_up.each_unit_lost if lost.hold_up.low_s is not None
    ]
    return min(known)[1] if known else None


def _redundancy(state: SystemState, kind: AlarmKind, was: Was) -> Iterator[Condition]:
    """Yield whether the spare is gone, and whether that can be told.

    On its banks a system is asked to last, and units drop out as their banks end: what was told before stands as it was told,
    and is judged anew once the system is fed.
    """
    redundancy = state.redundancy
    if redundancy is None:
        yield Condition(kind.id, state.id, Observation(False))
        yield Condition("redundancy_unknown", state.id, Observation(False))
        return
    known = redundancy.verdict is not Verdict.CANNOT_TELL
    near = kind.bound.passed(redundancy.margin_fraction, was=was(kind.id, "")) or False
    because = redundancy.because[:2]
    what = reason(Code.SPARE_GONE, state.id, name=state.name, because=because)
    over = _over(redundancy)
    if over is not None:
        what = reason(
            Code.SPARE_GONE_ON_LINE,
            state.id,
            name=state.name,
            line=redundancy.tightest_line,
            limit=redundancy.tightest_limit,
            over=over,
            peak=redundancy.basis is LoadBasis.PEAK_30D,
        )
    judged = known and state.on_battery is None and not state.feeds_nothing
    yield Condition(
        kind.id,
        state.id,
        Observation(
            (redundancy.verdict is Verdict.INADEQUATE or near) if judged else None,
            what,
            facts={"margin_fraction": redundancy.margin_fraction},
        ),
    )
    open_still = reason(Code.SPARE_UNKNOWN, state.id, name=state.name, because=because)
    yield Condition("redundancy_unknown", state.id, Observation(_unknown(state, known=known), open_still))


def _over(redundancy: Redundancy) -> float | None:
    """Return how much more the tightest line asks than is left with the spare gone, in W or VA as its limit has it."""
    for line in redundancy.lines:
        if line.line == redundancy.tightest_line:
            asked, left = (
                (line.peak_va, line.limit_va)
                if redundancy.tightest_limit == "va"
                else (line.peak_w, line.limit_w)
            )
            return asked - left if asked is not None and left is not None and asked > left else None
    return None


def _imbalance(state: SystemState, kind: AlarmKind, was: Was) -> Condition:
    powers = [line.power_w for line in state.load.lines]
    known = [p for p in powers if p is not None]
    if len(powers) < 2:
        return Condition(kind.id, state.id, Observation(False))
    if len(known) < len(powers):
        return Condition(kind.id, state.id, Observation(None))
    mean_w = sum(known) / len(known)
    if mean_w <= 0:
        return Condition(kind.id, state.id, Observation(False))
    full = max(known)
    excess = full / mean_w - 1.0
    line = state.load.lines[powers.index(full)].line
    what = reason(
        Code.PHASES_APART, state.id, name=state.name, line=line, power_w=full, excess_fraction=excess
    )
    return Condition(
        kind.id,
        state.id,
        Observation(kind.bound.passed(excess, was=was(kind.id, "")), what, facts={"excess_fraction": excess}),
    )
