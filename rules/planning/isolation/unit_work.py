"""Work on a unit, followed: the peers took its load, it came back, it shares again, its bank is full.

What the plan explains is not told again; what it does not explain is. What is said is for the person
who stands at the panel and for the alarms, which must not cry about what was planned. It advises; it
switches nothing.

Theory of operation. How it stood when the work began is kept (`Before`) and every later glance is held
against it. What is not seen changes nothing: a card that falls silent, or one that was not read yet since
a start, neither moves the stage nor takes back what was unexpected. A unit whose card dies with it is
known to be out when its peers are seen to carry its part.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final

from rules.system.hold_up.judgement import HoldUpJudgement
from rules.system.observation import SystemObservation
from rules.system.parallel import (
    FEEDING,
    MERELY_UNSEEN,
    NO_LOAD_FRACTION,
    SHARE_DEADBAND,
    SHARE_OFF,
    UnitView,
)
from rules.system.state import Standing
from rules.system.work import Unexpected, UnitWork, Unplanned, WorkStage, WorkStep
from rules.values.code import Code
from rules.values.reason import Reason, reason

SHARES_AGAIN: Final = SHARE_OFF
"""Deviation from equal share, of rating, within which a unit that came back shares again."""
SHARES_NO_MORE: Final = SHARE_OFF + SHARE_DEADBAND
"""Deviation beyond which a unit that shared does so no more."""
LOAD_KEPT: Final = 0.8
"""Part of the load before the work that must still be there; less means something was dropped."""
FELL_FOR: Final = timedelta(seconds=15)
"""Units are read seconds apart, so while load moves between them the sum is wrong for a moment."""
PART_TAKEN: Final = 0.5
"""Part of its load that the peers must be seen to carry before a unit that is not heard counts as out."""
SHARED: Final = frozenset({WorkStage.SHARING, WorkStage.CHARGED})


@dataclass(frozen=True, slots=True)
class Before:
    """How it stood when the work began: the load, the unit's part of it, and what every unit did."""

    load_w: float | None
    unit_w: float | None
    standings: Mapping[str, Standing]


@dataclass(frozen=True, slots=True)
class Followed:
    """Work as it is followed. `windows`: the planned windows that it belongs to. `before` None: not seen yet.

    `fell_since`: since when the load is less than what was there.
    """

    work: UnitWork
    windows: tuple[str, ...]
    before: Before | None = None
    fell_since: datetime | None = None


def begun(unit: str, at: datetime, until: datetime, *, by: str = "", what: str = "", window: str) -> Followed:
    """Return work that begins now and is to end at `until`."""
    because = reason(Code.WORK_NOT_SEEN_YET, unit)
    return Followed(UnitWork(unit, at, until, by, what, WorkStage.BEFORE, because), (window,))


def follow(
    followed: Followed, seen: SystemObservation, judged: HoldUpJudgement | None, now: datetime
) -> Followed:
    """Return the work after one more glance at its system; nothing moves until every unit was asked since a start."""
    if any(v.reading is None and v.silence is None for v in seen.views):
        return followed
    if followed.before is None:
        followed = replace(followed, before=_before(followed.work.unit, seen))
    work = followed.work
    stage, because = _stage(followed, seen, judged)
    steps = work.steps
    if not steps or steps[-1].stage is not stage:
        steps = (*steps, WorkStep(stage, now))
    fell_since = _fell_since(followed, seen, now)
    after = replace(followed, fell_since=fell_since)
    return replace(
        after,
        work=replace(
            work,
            stage=stage,
            because=because,
            steps=steps,
            unexpected=tuple(_unexpected(after, seen, now)),
            overdue=now >= work.until and stage not in SHARED and WorkStage.OUT in {s.stage for s in steps},
        ),
    )


def over(work: UnitWork, now: datetime) -> Reason | None:
    """Return why the work needs no more following once its time has passed, None while it does."""
    if now < work.until or work.overdue:
        return None
    if work.stage in SHARED:
        return reason(Code.WORK_OVER, work.unit)
    return reason(Code.WORK_OVER_NEVER_OUT, work.unit)


def news(before: UnitWork, after: UnitWork) -> Iterator[tuple[str, Reason]]:
    """Yield what is worth a line of the journal from one look to the next: its kind and what is said."""
    if after.steps != before.steps and after.stage is not WorkStage.BEFORE:
        yield f"work_{after.stage.value}", after.because
    known = {(u.kind, u.about) for u in before.unexpected}
    for one in after.unexpected:
        if (one.kind, one.about) not in known:
            said = reason(Code.WORK_UNEXPECTED, after.unit, system="", because=(one.because,))
            yield "work_unexpected", said
    if before.unexpected and not after.unexpected:
        yield "work_as_planned", reason(Code.WORK_AS_PLANNED, after.unit)
    if after.overdue and not before.overdue:
        yield "work_overdue", reason(Code.WORK_OVERDUE, after.unit, because=after.because)


def begun_reason(followed: Followed) -> Reason:
    """Return that the work is followed from now on, with how it stood."""
    work, before = followed.work, followed.before
    return reason(
        Code.WORK_BEGINS,
        work.unit,
        by=work.by,
        takes_s=(work.until - work.begun_at).total_seconds(),
        carried_w=None if before is None else before.load_w,
    )


# ---- the pieces ---------------------------------------------------------------------------------------------


def _before(unit: str, seen: SystemObservation) -> Before:
    doing = {item.id: item.standing for item in seen.parallel.units}
    share = next((s.of_system_fraction for s in seen.parallel.shares if s.unit == unit), None)
    load_w = seen.parallel.load.power_w
    return Before(load_w, None if share is None or load_w is None else share * load_w, doing)


def _view(seen: SystemObservation, unit: str) -> UnitView:
    return next(v for v in seen.views if v.unit.id == unit)


def _stage(
    followed: Followed, seen: SystemObservation, judged: HoldUpJudgement | None
) -> tuple[WorkStage, Reason]:
    work = followed.work
    unit, last = work.unit, work.stage
    load_w = seen.parallel.load.power_w
    view = _view(seen, unit)
    if not view.fresh or view.shared_card:
        if last is WorkStage.BEFORE and _peers_took(followed, seen):
            return WorkStage.OUT, reason(Code.WORK_OUT_PEERS_TOOK, unit, carried_w=load_w)
        return last, _not_heard(unit, last, load_w)
    doing = seen.parallel.standing_of(unit)
    if doing not in FEEDING:
        return WorkStage.OUT, reason(Code.WORK_OUT, unit, standing=doing, carried_w=load_w)
    if last is WorkStage.BEFORE:
        return last, reason(Code.WORK_IN_SERVICE, unit)
    return _returned(unit, last, doing, seen, judged)


def _returned(
    unit: str, last: WorkStage, doing: Standing, seen: SystemObservation, judged: HoldUpJudgement | None
) -> tuple[WorkStage, Reason]:
    """Return how far a unit that stands behind the load again has come; what is not judged takes nothing back."""
    part = next((s for s in seen.parallel.shares if s.unit == unit), None)
    carries = part is not None and (part.of_rating_fraction or 0.0) > NO_LOAD_FRACTION
    carries = carries or doing is Standing.RESTING
    off = None if part is None else part.deviation_fraction
    limit = SHARES_NO_MORE if last in SHARED else SHARES_AGAIN
    if not carries or (off is not None and abs(off) > limit):
        return WorkStage.BACK, reason(Code.WORK_BACK, unit)
    full = judged is not None and judged.hold_ups.recharged is None and judged.hold_ups.now.low_s is not None
    not_known = judged is None or judged.hold_ups.now.low_s is None
    if full or (last is WorkStage.CHARGED and not_known):
        return WorkStage.CHARGED, reason(Code.WORK_CHARGED, unit)
    return WorkStage.SHARING, reason(Code.WORK_SHARING, unit)


def _not_heard(unit: str, last: WorkStage, carried_w: float | None) -> Reason:
    if last is WorkStage.BEFORE:
        return reason(Code.WORK_UNHEARD, unit)
    if last is WorkStage.OUT:
        return reason(Code.WORK_OUT_UNHEARD, unit, carried_w=carried_w)
    return reason(Code.WORK_BACK_UNHEARD, unit)


def _peers_took(followed: Followed, seen: SystemObservation) -> bool:
    """Return whether the peers carry at least half of what the unit carried, above what they did."""
    before, load_w = followed.before, seen.parallel.load.power_w
    if before is None or load_w is None or not before.load_w or not before.unit_w:
        return False
    enough = before.unit_w > NO_LOAD_FRACTION * before.load_w
    return enough and load_w >= before.load_w - (1.0 - PART_TAKEN) * before.unit_w


def _fell_since(followed: Followed, seen: SystemObservation, now: datetime) -> datetime | None:
    before, load_w = followed.before, seen.parallel.load.power_w
    if load_w is None or before is None or not before.load_w:
        return followed.fell_since
    if len(before.standings) == 1:
        return None  # no peer can take it: it goes to the wall bypass, where no card sees it
    return None if load_w >= LOAD_KEPT * before.load_w else followed.fell_since or now


def _unexpected(followed: Followed, seen: SystemObservation, now: datetime) -> Iterator[Unexpected]:
    """Yield what the work does not explain: the load on bypass, peers that left, a load that fell."""
    before, mine = followed.before, followed.work.unit
    if before is None:
        return
    for item in seen.parallel.units:
        if item.id != mine:
            yield from _of_peer(item.id, before.standings.get(item.id), item.standing, mine, seen)
        elif item.standing is Standing.BYPASS:
            yield Unexpected(Unplanned.ON_BYPASS, mine, reason(Code.UNPLANNED_BYPASS, mine))
    if followed.fell_since is not None and now - followed.fell_since >= FELL_FOR:
        load_w = seen.parallel.load.power_w
        if load_w is None:
            yield from (u for u in followed.work.unexpected if u.kind is Unplanned.LOAD_FELL)
        else:
            why = reason(Code.UNPLANNED_LOAD_FELL, seen.system, was_w=before.load_w or 0.0, load_w=load_w)
            yield Unexpected(Unplanned.LOAD_FELL, seen.system, why)


def _of_peer(
    unit: str, was: Standing | None, now: Standing, mine: str, seen: SystemObservation
) -> Iterator[Unexpected]:
    """Yield what a peer does that the work does not explain; other planned work explains its own unit."""
    if now is was or now is Standing.ISOLATED:
        return
    if now is Standing.ON_BATTERY:
        if unit not in seen.in_test:
            why = reason(Code.UNPLANNED_ON_BATTERY, unit, worked=mine)
            yield Unexpected(Unplanned.ON_BATTERY, unit, why)
    elif now in MERELY_UNSEEN:
        yield Unexpected(Unplanned.NOT_HEARD, unit, reason(Code.UNPLANNED_NOT_HEARD, unit, worked=mine))
    elif now not in FEEDING:
        yield Unexpected(Unplanned.LEFT, unit, reason(Code.UNPLANNED_LEFT, unit, was=was, standing=now))
