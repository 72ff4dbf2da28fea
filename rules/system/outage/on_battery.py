"""A system on its banks: since when, when it ends, and the last moment to start its generator."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final

from rules.generator.outage_source import says_it_runs
from rules.plant.estate import Purpose, Unit
from rules.system.hold_up.judgement import HoldUpJudgement
from rules.system.observation import SupplySight, SystemObservation, SystemView
from rules.system.outage.end_known import end_known
from rules.system.outage.line_over import LineOver
from rules.system.outage.relief import fed_beside, lines_over, relief
from rules.system.parallel import MERELY_UNSEEN
from rules.system.requirements import (
    after_start_s,
    starts_failed,
)
from rules.system.state import (
    OnBattery,
    Standing,
)
from rules.values.code import Code
from rules.values.reason import reason

RECKONING_WIDENS: Final = 0.10
"""Part of the time since the last reading by which reckoned bounds move apart, each way."""

JUDGED_FOR: Final = timedelta(minutes=5)
"""How long a judgement of the hold-up counts; it is made anew twice a minute."""

BY_HAND: Final = reason(Code.WANTED_PURPOSE, purpose=Purpose.MANUAL_GENERATOR_START)
"""What a system is wanted to hold for until a person has started its generator."""


def tells_end(judged: HoldUpJudgement, since: datetime) -> bool:
    """Return whether a judgement tells when an outage that began at `since` ends: it could, and is of it."""
    if judged.as_of is None or judged.hold_ups.now.low_s is None:
        return False
    return judged.as_of >= since - JUDGED_FOR


def on_battery(
    view: SystemView, seen: SystemObservation, judged: HoldUpJudgement | None, units: Sequence[Unit]
) -> OnBattery | None:
    """Return since when a system is on its banks and when it ends; None while it is not.

    A system last seen on battery and silent since stays on battery: its end is reckoned on from the
    last judgement that could tell, the bounds moving apart. The starts of a generator count only while nothing
    that can be read is fed: what feeds one unit is the generator, or the mains, and no start is due any more.
    """
    if not seen.on_battery:
        return None
    read = [view.readings[unit] for unit in seen.on_battery if unit in view.readings]
    since = view.on_battery_since or min(
        (r.stamp.at - timedelta(seconds=r.battery.on_battery_s or 0.0) for r in read), default=view.now.at
    )
    reckoned = None
    if all(seen.parallel.standing_of(unit) in MERELY_UNSEEN for unit in seen.on_battery):
        reckoned = max((r.stamp.at for r in read), default=None)
    told = next((one for one in (judged, view.told) if one is not None and tells_end(one, since)), None)
    earliest = latest = outlasted = known = None
    if told is not None and told.as_of is not None:
        now = told.hold_ups.now
        overtaken = judged is not None and told is not judged  # by one that cannot tell
        unseen_s = (view.now.at - told.as_of).total_seconds() if reckoned or overtaken else 0.0
        slack = timedelta(seconds=RECKONING_WIDENS * max(unseen_s, 0.0))
        earliest = max(told.as_of + timedelta(seconds=now.low_s or 0.0) - slack, told.as_of)
        latest = None if now.high_s is None else told.as_of + timedelta(seconds=now.high_s) + slack
        if overtaken and reckoned is None and earliest <= view.now.at:
            # The load is seen carried past it: a moment in the past is no end, and nothing that is read tells another.
            outlasted, earliest = earliest, None
            latest = latest if latest is not None and latest > view.now.at else None
        elif reckoned is None:
            known = end_known(now, (told.as_of - since).total_seconds())
    sight = view.supply or _own_sight(seen, since)
    beside = fed_beside(seen)
    over = lines_over(seen, beside)
    carried = bool(beside) and over == ()
    if carried:
        earliest = latest = outlasted = None
    generator = view.estate.generator_of(view.system)
    start_before = failed = hand_s = None
    runs = says_it_runs(view.set_says)
    there = bool(sight.fed) or sight.offered_since is not None
    if generator is not None and not there:
        if sight.dead_since is not None and reckoned is None and not runs:
            failed = starts_failed(generator, units, (view.now.at - sight.dead_since).total_seconds())
        if generator.hand_start_s is not None and not runs:
            hand_s = generator.hand_start_s + after_start_s(generator, units)
        if earliest is not None and not runs:
            last = earliest - timedelta(seconds=after_start_s(generator, units))
            # A moment before the mains were lost was never anybody's to use: no start could have been in time.
            start_before = last if last > since else None
    shed = view.shed if view.shed is not None and view.shed.as_of >= since and not carried else None
    if shed is not None and runs and shed.wanted_for == BY_HAND:
        shed = None  # nobody is on the way to start what runs: what to shed is asked anew
    outage = OnBattery(
        since=since,
        ends_earliest=earliest,
        ends_latest=latest,
        start_set_before=start_before,
        starts_failed=failed,
        reckoned_since=reckoned,
        shed=shed,
        fed=sight.fed,
        carried=carried,
        unfed_since=sight.own_since,
        offered_since=sight.offered_since,
        outlasted=outlasted,
        known=None if carried else known,
        takes_by=None if reckoned else sight.takes_by,
        set_says=None if there else view.set_says,
        hand_s=hand_s,
        set_out_before=None if hand_s is None or earliest is None else earliest - timedelta(seconds=hand_s),
    )
    return _what_to_shed(view, seen, outage, over if beside else None)


def _own_sight(seen: SystemObservation, since: datetime) -> SupplySight:
    """Return what a system's own units show of their supply."""
    fed = seen.parallel.with_standing(frozenset({Standing.CARRYING}))
    return SupplySight(None if fed else since, fed, None if fed else since)


def _what_to_shed(
    view: SystemView, seen: SystemObservation, outage: OnBattery, over: Sequence[LineOver] | None
) -> OnBattery:
    """Return the outage with what is to be shed in it; `over`: what its fed units cannot carry, None where none is fed.

    What is about to take its supply sheds nothing: only if it does not in the time it may. With some of its units fed it is
    their lines that count, not how long all banks together last.
    """
    if outage.taking(view.now.at):
        return replace(outage, shed=None)
    if not over:
        return outage
    groups = [g for g in view.estate.load_groups.values() if g.system == view.system]
    return replace(outage, shed=None, relief=relief(over, groups, seen.parallel.load.lines))
