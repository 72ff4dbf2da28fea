"""Work on a unit, followed: the peers took its load, it came back, it shares again, its bank is full.

What the plan explains is not told again; what it does not explain is. The sentences are for the person
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

from rules.phrasing.text import lasted, overdue
from rules.system.assessment import SystemObservation
from rules.system.hold_up_sampling import HoldUpJudgement
from rules.system.parallel import FEEDING, MERELY_UNSEEN, NO_LOAD_FRACTION, UnitView
from rules.system.state import Standing, Unexpected, UnitWork, Unplanned, WorkStage, WorkStep

SHARES_AGAIN: Final = 0.10
"""Deviation from equal share, of rating, within which a unit that came back shares again."""
SHARES_NO_MORE: Final = 0.13
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
    because = f"How unit {unit} stood when the work began was not seen yet."
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


def over(work: UnitWork, now: datetime) -> str | None:
    """Return why the work needs no more following once its time has passed, None while it does."""
    if now < work.until or work.overdue:
        return None
    if work.stage in SHARED:
        return f"The work on unit {work.unit} is over: it shares the load again."
    return f"The time for work on unit {work.unit} is over; it was never seen out."


def news(before: UnitWork, after: UnitWork) -> Iterator[tuple[str, str]]:
    """Yield what is worth a line of the journal from one look to the next: its kind and its text."""
    if after.steps != before.steps and after.stage is not WorkStage.BEFORE:
        yield f"work_{after.stage.value}", after.because
    known = {(u.kind, u.about) for u in before.unexpected}
    for one in after.unexpected:
        if (one.kind, one.about) not in known:
            yield "work_unexpected", f"During work on unit {after.unit}: {one.because}"
    if before.unexpected and not after.unexpected:
        yield "work_as_planned", f"The work on unit {after.unit} is as planned again."
    if after.overdue and not before.overdue:
        yield "work_overdue", overdue(after)


def begun_text(followed: Followed) -> str:
    """Return that the work is followed from now on, with how it stood."""
    work, before = followed.work, followed.before
    who = f", as {work.by} said" if work.by else ""
    stood = (
        ""
        if before is None or before.load_w is None
        else f" The system carried {before.load_w / 1e3:.1f} kW."
    )
    long = lasted((work.until - work.begun_at).total_seconds())
    return f"Work on unit {work.unit} begins{who}; it is to take {long}.{stood}"


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
) -> tuple[WorkStage, str]:
    work = followed.work
    unit, last = work.unit, work.stage
    load_w = seen.parallel.load.power_w
    taken = "" if load_w is None else f"; the others carry {load_w / 1e3:.1f} kW"
    view = _view(seen, unit)
    if not view.fresh or view.shared_card:
        if last is WorkStage.BEFORE and _peers_took(followed, seen):
            return WorkStage.OUT, f"Unit {unit} is not heard and its peers took its part{taken}."
        return last, _not_heard(unit, last, taken)
    doing = seen.parallel.standing_of(unit)
    if doing not in FEEDING:
        return WorkStage.OUT, f"Unit {unit} is {_word(doing)}{taken}."
    if last is WorkStage.BEFORE:
        return last, f"Unit {unit} is still in service."
    return _returned(unit, last, doing, seen, judged)


def _returned(
    unit: str, last: WorkStage, doing: Standing, seen: SystemObservation, judged: HoldUpJudgement | None
) -> tuple[WorkStage, str]:
    """Return how far a unit that stands behind the load again has come; what is not judged takes nothing back."""
    part = next((s for s in seen.parallel.shares if s.unit == unit), None)
    carries = part is not None and (part.of_rating_fraction or 0.0) > NO_LOAD_FRACTION
    carries = carries or doing is Standing.RESTING
    off = None if part is None else part.deviation_fraction
    limit = SHARES_NO_MORE if last in SHARED else SHARES_AGAIN
    if not carries or (off is not None and abs(off) > limit):
        return WorkStage.BACK, f"Unit {unit} is back and does not share the load evenly yet."
    full = judged is not None and judged.hold_ups.recharged is None and judged.hold_ups.now.low_s is not None
    not_known = judged is None or judged.hold_ups.now.low_s is None
    if full or (last is WorkStage.CHARGED and not_known):
        return WorkStage.CHARGED, f"Unit {unit} shares the load and its bank is full: the work can be closed."
    return WorkStage.SHARING, f"Unit {unit} shares the load; its bank is not known to be full yet."


def _not_heard(unit: str, last: WorkStage, taken: str) -> str:
    if last is WorkStage.BEFORE:
        return f"Unit {unit} is not heard: whether it is out cannot be seen."
    if last is WorkStage.OUT:
        return f"Unit {unit} is out and not heard{taken}."
    return f"Unit {unit} came back and is not heard now."


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
            why = f"Unit {mine} is on bypass: the load may hang on the raw supply."
            yield Unexpected(Unplanned.ON_BYPASS, mine, why)
    if followed.fell_since is not None and now - followed.fell_since >= FELL_FOR:
        load_w = seen.parallel.load.power_w
        if load_w is None:
            yield from (u for u in followed.work.unexpected if u.kind is Unplanned.LOAD_FELL)
        else:
            was_kw = (before.load_w or 0.0) / 1e3
            why = f"The load fell from {was_kw:.1f} to {load_w / 1e3:.1f} kW: was something dropped?"
            yield Unexpected(Unplanned.LOAD_FELL, seen.system, why)


def _of_peer(
    unit: str, was: Standing | None, now: Standing, mine: str, seen: SystemObservation
) -> Iterator[Unexpected]:
    """Yield what a peer does that the work does not explain; other planned work explains its own unit."""
    if now is was or now is Standing.ISOLATED:
        return
    if now is Standing.ON_BATTERY:
        if unit not in seen.in_test:
            why = f"Unit {unit} went on battery while unit {mine} is worked on."
            yield Unexpected(Unplanned.ON_BATTERY, unit, why)
    elif now in MERELY_UNSEEN:
        yield Unexpected(
            Unplanned.NOT_HEARD, unit, f"Unit {unit} is not heard while unit {mine} is worked on."
        )
    elif now not in FEEDING:
        yield Unexpected(Unplanned.LEFT, unit, f"Unit {unit} was {_word(was)} and is {_word(now)}.")


def _word(standing: Standing | None) -> str:
    if standing is None:
        return "not known"
    return "on bypass" if standing is Standing.BYPASS else standing.value.replace("_", " ")
