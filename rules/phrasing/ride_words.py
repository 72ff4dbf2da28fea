"""What came of the draws of a ride, told: verdict and reasons, events with their intervals, the time line in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from rules.planning.ridethrough.load_ahead import LoadAhead, QuarterLoad
from rules.planning.ridethrough.result import Happening, PlayedSpan, Ridethrough
from rules.planning.ridethrough.scenario import BankCase, Scenario
from rules.planning.ridethrough.supply import FOR_EVER, OnBanks, SetCase, SupplyMark
from rules.plant.estate import Generator
from rules.system.hold_up import Floats, Played, percentiles
from rules.system.hold_up_sampling import HoldUpTask, worst_basis
from rules.system.requirements import minutes
from rules.system.state import HoldUp
from rules.values.verdict import Basis, Verdict

LIKELY: Final = 0.95
"""Part of the draws that carry the load from which on that may be said without its share."""
SEEN_IN: Final = 0.05
"""An event that happens in fewer draws than this is left out of the time line."""


@dataclass(slots=True)
class PlayedCourse:
    """What has happened so far, per draw."""

    used: dict[str, Floats]
    lost_at_s: Floats
    by_overload: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]
    left_s: Floats  # least time left at the end of any stretch
    moments: list[tuple[str, str, Floats]]


def result_of(  # noqa: PLR0917 - gathers the parts
    task: HoldUpTask,
    scenario: Scenario,
    stretches: Sequence[OnBanks],
    marks: Sequence[SupplyMark],
    course: PlayedCourse,
    above: set[str],
    assumptions: Sequence[str],
    bases: Sequence[Basis],
    *,
    all_shed_s: float | None = None,
    fuel_out_s: float | None = None,
    told: bool = True,
) -> Ridethrough:
    """Return what the draws came to, with its interval and its reasons.

    `all_shed_s`: when nothing is left to carry; `fuel_out_s`: when the set's declared fuel is out and no mains is back.
    `told`: whether a least may be told of every bank; where not, it is no more promised here than anywhere else.
    """
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
    hold_up = HoldUp(_finite(low) if told else None, _finite(median), _finite(high), ended_by, basis)
    margin_s = _finite(percentiles(course.left_s)[0]) if told else None
    endless = any(stretch.until_s == FOR_EVER for stretch in stretches)
    because = []
    if above:
        verdict = Verdict.CANNOT_TELL
        because.append(
            f"Bank {', '.join(sorted(above))} would be asked more power than its table prints: nothing is promised."
        )
    elif np.isinf(low) and all_shed_s is not None:
        verdict, margin_s = Verdict.ADEQUATE, None
        because.append(
            f"Everything is shed {minutes(all_shed_s)} after the start: a shutdown in order, carried until then. Nothing "
            "is left to ride through."
        )
    elif np.isinf(low) and told:
        verdict = Verdict.ADEQUATE
        left = "" if margin_s is None else f", with {minutes(margin_s)} to spare at the tightest moment"
        because.append(f"The load is carried through at the least{left}.")
    elif np.isinf(median) and not (told and basis is Basis.TESTED):
        verdict = Verdict.CANNOT_TELL
        expected = (
            "that the load is carried through"
            if carried >= LIKELY
            else f"no more than that it is carried through in {int(100.0 * carried)} of 100 courses"
        )
        because.append(
            f"No discharge stands behind every bank: table and age alone suggest {expected}, and prove nothing."
            if basis is not Basis.TESTED
            else f"What was seen of the banks is too old or too short to tell a least: to be expected is {expected}."
        )
    else:
        verdict = Verdict.INADEQUATE
        because.append(
            f"The load is lost {minutes(low)} after the start at the earliest."
            if told
            else f"The load is expected to be lost about {minutes(median)} after the start, and nothing proves that it holds "
            "so long."
        )
        if carried > 0.0:
            because.append(
                f"It is carried through in {int(100.0 * carried)} of 100 courses: not enough to count on."
            )
        if endless:
            because.append("No supply comes back within this scenario: shed, or shut down in order.")
    if fuel_out_s is not None:
        because.append(
            f"The set's fuel is out {minutes(fuel_out_s)} after the start: refuel before, or the banks carry alone again."
        )
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
        left = [at for what, about, at in course.moments if (what, about) == ("unit drops out", unit.id)]
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
) -> list[str]:
    """Return what a scenario is played on, in sentences."""
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


def cautions(
    on_battery: Sequence[str], in_test: Sequence[str], age_s: float | None = None
) -> tuple[str, ...]:
    """Return what a plan's readings are to be taken with care for: units on their banks when read, an age in s that is past."""
    found = []
    if age_s is not None:
        found.append(f"Its readings are {minutes(age_s)} old: what has changed since is not in it.")
    if on_battery:
        verb = "was" if len(on_battery) == 1 else "were"
        found.append(
            f"Unit {', '.join(on_battery)} {verb} on battery when read: the banks begin with what was left of them, and "
            "the load may be that of an outage."
        )
    elif in_test:
        found.append(
            f"Unit {', '.join(in_test)} tested its bank when read: the bank begins with what was left of it."
        )
    return tuple(found)


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
