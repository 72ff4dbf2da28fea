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
from rules.battery.assessment.would_tell import named
from rules.phrasing.dates import PURPOSES
from rules.phrasing.text import at_least, at_most, kilowatts, listed, worst_lost
from rules.plant.estate import Estate
from rules.system.state import Against, SystemState
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
    what = (
        f"No discharge of {named(held.unproven)} was judged yet: how long {state.name} holds, and when to renew, cannot be told."
        if held.unproven
        else ""
    )
    do = held.would_tell[0].step if held.would_tell else ""
    return Condition("banks_unproven", state.id, Observation(bool(held.unproven), what, do))


def _requirements(state: SystemState, kind: AlarmKind, was: Was) -> Iterator[Condition]:
    """Yield whether each need is met, and whether that can be told.

    Where it is banks that nothing was seen of that leave it open, that is said once (`banks_unproven`), and what
    table and age alone suggest raises nothing.
    """
    for need in state.requirements:
        unseen = bool(state.hold_up.unproven) and need.basis is not Basis.TESTED
        if unseen and need.verdict is not Verdict.ADEQUATE:
            yield Condition(kind.id, state.id, Observation(False), need.id)
            yield Condition("requirement_unknown", state.id, Observation(False), need.id)
            continue
        told = need.verdict is not Verdict.CANNOT_TELL
        inadequate = need.verdict is Verdict.INADEQUATE
        near = need.margin_s is not None and kind.bound.passed(need.margin_s, was=was(kind.id, need.id))
        # on its banks a system is asked to last, not to be ready for another failure: that is judged when it is fed
        present = None if state.on_battery is not None or not told else inadequate or near
        purpose = PURPOSES[need.purpose]
        what = ""
        if need.required_s is not None and need.margin_s is not None:
            lost = worst_lost(state.hold_up) if need.against is Against.ONE_UNIT_LOST else None
            gone = f" with unit {lost} lost" if lost else ""
            holds = at_least(max(need.required_s + need.margin_s, 0.0))
            what = f"{state.name} needs {at_most(need.required_s)} for {purpose}, holds {holds} at the least{gone}."
        elif need.because:
            what = f"{state.name}: {need.because[0]}"
        yield Condition(
            kind.id,
            state.id,
            Observation(present, what, facts={"margin_s": need.margin_s}),
            need.id,
        )
        why = f" {need.because[0]}" if need.because else ""
        yield Condition(
            "requirement_unknown",
            state.id,
            Observation(
                _unknown(state, told=told), f"Whether {state.name} holds for {purpose} cannot be told.{why}"
            ),
            need.id,
        )


def _unknown(state: SystemState, *, told: bool) -> bool | None:
    """Return whether a question of readiness is open: on its banks a system is asked to last, and that is told."""
    return None if state.on_battery is not None and not told else not told


def _redundancy(state: SystemState, kind: AlarmKind, was: Was) -> Iterator[Condition]:
    redundancy = state.redundancy
    if redundancy is None:
        yield Condition(kind.id, state.id, Observation(False))
        yield Condition("redundancy_unknown", state.id, Observation(False))
        return
    told = redundancy.verdict is not Verdict.CANNOT_TELL
    near = kind.bound.passed(redundancy.margin_fraction, was=was(kind.id, "")) or False
    because = listed(redundancy.because[:2]) if redundancy.because else ""
    what = f"{state.name} cannot spare a unit. {because}".strip()
    if redundancy.margin_w is not None and redundancy.tightest_line is not None and redundancy.margin_w < 0:
        limit = "volt-amperes" if redundancy.tightest_limit == "va" else "watts"
        amount = kilowatts(-redundancy.margin_w).replace(
            "kW", "kVA" if redundancy.tightest_limit == "va" else "kW"
        )
        what = (
            f"Line {redundancy.tightest_line} of {state.name} asks {amount} more than the units left can carry "
            f"with the spare gone ({limit}{', at its 30-day peak' if redundancy.basis.value == 'peak_30d' else ''})."
        )
    yield Condition(
        kind.id,
        state.id,
        Observation(
            (redundancy.verdict is Verdict.INADEQUATE or near) if told else None,
            what,
            facts={"margin_fraction": redundancy.margin_fraction},
        ),
    )
    yield Condition(
        "redundancy_unknown",
        state.id,
        Observation(
            _unknown(state, told=told),
            f"Whether {state.name} can spare a unit cannot be told. {because}".strip(),
        ),
    )


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
    what = f"Line {line} of {state.name} carries {kilowatts(full)}, {100 * excess:.0f} % over the mean of its lines."
    return Condition(
        kind.id,
        state.id,
        Observation(kind.bound.passed(excess, was=was(kind.id, "")), what, facts={"excess_fraction": excess}),
    )
