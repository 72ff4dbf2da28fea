"""What came of the draws of a ride: verdict and reasons, events with their intervals, the time line."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from rules.battery.model.health import LEAST_TAIL
from rules.planning.ridethrough.load_ahead import LoadAhead, QuarterLoad
from rules.planning.ridethrough.result import Happening, PlayedSpan, Ridethrough
from rules.planning.ridethrough.scenario import BankCase, Scenario
from rules.planning.ridethrough.supply import FOR_EVER, OnBanks, SetCase, SupplyMark
from rules.plant.estate import Generator
from rules.system.hold_up.judgement import worst_basis
from rules.system.hold_up.play import Floats, Played, percentiles
from rules.system.hold_up.task import HoldUpTask
from rules.system.state import HoldUp
from rules.values.code import Code
from rules.values.reason import Reason, reason
from rules.values.verdict import Basis, Verdict

LIKELY: Final = 0.95
"""Part of the draws that carry the load from which on that may be said without its share."""
SEEN_IN: Final = 0.05
"""An event that happens in fewer draws than this is left out of the time line."""


@dataclass(slots=True)
class PlayedCourse:
    """What has happened so far, per draw."""

    used: dict[str, Floats]
    spent_ws: dict[str, Floats | None]
    lost_at_s: Floats
    by_overload: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]
    left_s: Floats  # least time left at the end of any stretch
    moments: list[tuple[Reason, str, Floats]]


def result_of(  # noqa: PLR0917 - gathers the parts
    task: HoldUpTask,
    scenario: Scenario,
    stretches: Sequence[OnBanks],
    marks: Sequence[SupplyMark],
    course: PlayedCourse,
    above: set[str],
    assumptions: Sequence[Reason],
    bases: Sequence[Basis],
    *,
    all_shed_s: float | None = None,
    fuel_out_s: float | None = None,
    told: bool = True,
    seen: bool = False,
) -> Ridethrough:
    """Return what the draws came to, with its interval and its reasons.

    `all_shed_s`: when nothing is left to carry; `fuel_out_s`: when the generator's declared fuel is out and no mains is back.
    `told`: whether a least may be told of every bank; where not, it is no more promised here than anywhere else: only
    where all banks were `seen` and the others carry on, so that the low end is no tail.
    """
    carried = float(np.isinf(course.lost_at_s).mean())
    basis = worst_basis(list(bases))
    low, median, high = percentiles(course.lost_at_s)
    told = told or (seen and bool(np.isinf(low) or (np.isfinite(median) and low >= LEAST_TAIL * median)))
    ended_by = None
    if carried < 1.0:
        ended_by = (
            Played(course.lost_at_s, np.isinf(course.lost_at_s), course.by_overload, {}, {}, {})
            .hold_up(basis)
            .ended_by
        )
    hold_up = HoldUp(_finite(low) if told else None, _finite(median), _finite(high), ended_by, basis)
    margin_s = _finite(percentiles(course.left_s)[0]) if told else None
    endless = any(stretch.until_s == FOR_EVER for stretch in stretches)
    because = []
    if above:
        verdict = Verdict.CANNOT_TELL
        because.append(reason(Code.RIDE_ABOVE_TABLE, banks=tuple(sorted(above))))
    elif np.isinf(low) and all_shed_s is not None:
        verdict, margin_s = Verdict.ADEQUATE, None
        because.append(reason(Code.RIDE_ALL_SHED, shed_s=all_shed_s))
    elif np.isinf(low) and told:
        verdict = Verdict.ADEQUATE
        because.append(reason(Code.RIDE_CARRIED, margin_s=margin_s))
    elif np.isinf(median) and not (told and basis is Basis.TESTED):
        verdict = Verdict.CANNOT_TELL
        of_100 = None if carried >= LIKELY else int(100.0 * carried)
        because.append(
            reason(Code.RIDE_SEEN_TOO_OLD, of_100=of_100)
            if basis is Basis.TESTED
            else reason(Code.RIDE_UNPROVEN, of_100=of_100)
        )
    else:
        verdict = Verdict.INADEQUATE
        because.append(
            reason(Code.RIDE_LOST, low_s=float(low), back_s=mains_back_s(scenario, float(low)))
            if told
            else reason(
                Code.RIDE_LOST_EXPECTED, median_s=float(median), back_s=mains_back_s(scenario, float(median))
            )
        )
        if carried > 0.0:
            because.append(reason(Code.RIDE_CARRIED_AT_TIMES, of_100=int(100.0 * carried)))
        if endless:
            because.append(reason(Code.RIDE_NO_SUPPLY_BACK))
    if fuel_out_s is not None:
        because.append(reason(Code.RIDE_FUEL_OUT, after_s=fuel_out_s))
    happenings = [Happening(mark.what, task.system, *(mark.at_s,) * 3) for mark in marks]
    happenings += [h for what, about, at in course.moments if (h := _happening(what, about, at))]
    lost = _happening(reason(Code.HAPPENS_LOAD_LOST), task.system, course.lost_at_s)
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


def _happening(what: Reason, about: str, at_s: Floats) -> Happening | None:
    """Return an event with its interval over the draws in which it happens."""
    known = at_s[np.isfinite(at_s)]
    if known.size < SEEN_IN * at_s.size:
        return None
    return Happening(what, about, *percentiles(known), share=known.size / at_s.size)


def _timeline(
    task: HoldUpTask, scenario: Scenario, stretches: Sequence[OnBanks], course: PlayedCourse
) -> tuple[PlayedSpan, ...]:
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
            spans.append(PlayedSpan(unit.id, "out", 0.0, end_s))
            continue
        left = [
            at
            for what, about, at in course.moments
            if what.code is Code.HAPPENS_UNIT_DROPS_OUT and about == unit.id
        ]
        gone_s = min((percentiles(at)[1] for at in left), default=np.inf)
        spans += _spans(unit.id, stretches, min(gone_s, lost_s), end_s, "down")
    return tuple(spans)


def _spans(
    about: str, stretches: Sequence[OnBanks], gone_s: float, end_s: float, after: str
) -> list[PlayedSpan]:
    spans, at_s = [], 0.0
    last = min(gone_s, end_s)
    for stretch in stretches:
        if stretch.from_s >= last:
            break
        if stretch.from_s > at_s:
            spans.append(PlayedSpan(about, "on supply", at_s, stretch.from_s))
        spans.append(PlayedSpan(about, "on battery", stretch.from_s, min(stretch.until_s, last)))
        at_s = min(stretch.until_s, last)
    if at_s < last:
        spans.append(PlayedSpan(about, "on supply", at_s, last))
    if gone_s < end_s:
        spans.append(PlayedSpan(about, after, gone_s, end_s))
    return spans


def assumptions_of(
    scenario: Scenario, generator: Generator | None, ahead: LoadAhead | None, met: QuarterLoad | None
) -> list[Reason]:
    """Return what a scenario is played on."""
    found = [_load(ahead, met), reason(Code.ASSUMED_SHARING), reason(Code.ASSUMED_RECHARGE)]
    if any(step.when_left_s is not None for step in scenario.sheds):
        found.append(reason(Code.ASSUMED_SHED_LOADS_BACK))
    if scenario.banks is BankCase.END_OF_LIFE:
        found.append(reason(Code.ASSUMED_END_OF_LIFE))
    if scenario.generator.case is SetCase.AS_DECLARED and generator is not None:
        found.append(reason(Code.ASSUMED_LAST_TRY, tries=generator.attempts))
    if generator is None and any(outage.generator for outage in scenario.outages):
        found.append(reason(Code.ASSUMED_NO_SET))
    return found


def cautions(
    on_battery: Sequence[str], in_test: Sequence[str], age_s: float | None = None
) -> tuple[Reason, ...]:
    """Return what a plan's readings are to be taken with care for: units on their banks when read, an age in s that is past."""
    found = []
    if age_s is not None:
        found.append(reason(Code.CARE_READINGS_OLD, age_s=age_s))
    if on_battery:
        found.append(reason(Code.CARE_ON_BATTERY, units=tuple(on_battery)))
    elif in_test:
        found.append(reason(Code.CARE_IN_TEST, units=tuple(in_test)))
    return tuple(found)


def _load(ahead: LoadAhead | None, met: QuarterLoad | None) -> Reason:
    """Return what the load that was played rests on."""
    if ahead is not None and met is not None:
        return reason(Code.LOAD_BY_RECORD, power_w=met.asked.total_w, low_w=met.low_w, high_w=met.high_w)
    return reason(Code.LOAD_AS_GIVEN) if ahead is None else reason(Code.LOAD_HOUR_NOT_ON_RECORD)


def mains_back_s(scenario: Scenario, lost_s: float) -> float | None:
    """Return when the mains was back before the load is lost, in s from the start: its units had yet to take it. None: it was not."""
    begun = [outage for outage in scenario.outages if outage.from_s <= lost_s]
    ends = [None if o.for_s is None else o.from_s + o.for_s for o in begun]
    last = max((end for end in ends if end is not None), default=None)
    return last if None not in ends and last is not None and last < lost_s else None
