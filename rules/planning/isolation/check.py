"""May a unit be taken out for work? What can be read is checked; what cannot be seen is said to be so.

Each row (`rules.planning.isolation.rows`) is met, not met, cannot be seen, or a person's to check. Rows that
nobody can read over a network (synchronism, breakers, interlocks) never decide; rows that could be read
and were not leave the answer open. The check advises. It switches nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from enum import StrEnum
from itertools import takewhile

from rules.planning.isolation import rows as checks
from rules.planning.isolation.rows import MARGIN_WANTED, CheckRow, Facts, Result
from rules.system.hold_up.judgement import HoldUpJudgement
from rules.system.load.usual import Expected
from rules.system.observation import SystemObservation, SystemView, unit_views
from rules.values.code import Code
from rules.values.reason import Reason, reason


class Overall(StrEnum):
    """The answer, as far as it can be seen."""

    MET = "met"
    NOT_MET = "not_met"
    CANNOT_TELL = "cannot_tell"


@dataclass(frozen=True, slots=True)
class Between:
    """A stretch of time."""

    from_at: datetime = field(metadata={"json": "from"})
    to_at: datetime = field(metadata={"json": "to"})


@dataclass(frozen=True, slots=True)
class Isolation:
    """Whether a unit may be taken out in a window: rows, the answer, and when it would be yes."""

    system: str
    unit: str
    from_at: datetime = field(metadata={"json": "from"})
    to_at: datetime = field(metadata={"json": "to"})
    overall: Overall
    rows: tuple[CheckRow, ...]
    met_between: tuple[Between, ...]
    as_of: datetime | None
    safety: tuple[Reason, ...] = (reason(Code.SAFETY), reason(Code.ADVICE_ONLY))


def isolation(  # noqa: PLR0917 - what is seen, what is judged, and the question
    view: SystemView,
    seen: SystemObservation,
    judged: HoldUpJudgement | None,
    unit: str,
    from_at: datetime,
    to_at: datetime,
    facts: Facts | None = None,
) -> Isolation:
    """Return whether `unit` may be taken out between two moments, as far as can be seen.

    Raises:
        ValueError: the unit is not of this system, or the window ends before it begins.
    """
    facts = facts or Facts()
    units = view.estate.units_of(view.system)
    if unit not in {item.id for item in units}:
        raise ValueError(f"unit: want one of {', '.join(u.id for u in units)}; got {unit}")
    if to_at <= from_at:
        raise ValueError("window: want an end after its start")
    views = unit_views(view)
    staying = [v for v in views if v.unit.id != unit]
    ahead = takewhile(
        lambda quarter: quarter.at < to_at, facts.expected
    )  # of a week that is looked at, the first hours
    in_window = [e for e in ahead if e.at > from_at - timedelta(minutes=15)]
    rows = [
        checks.fresh(views),
        checks.seen_by_itself(views),
        checks.others_carry(staying, seen),
        checks.nothing_under_way(views),
        checks.load_fits_now(view, seen, unit),
        checks.load_fits_window(view, seen, unit, in_window),
        checks.others_hold(view, judged, facts, unit, staying),
        checks.charged(judged),
        *checks.supplies(staying, facts),
        checks.no_alarms(views, facts),
        *checks.cards_confirmed(views, facts, view.estate.site_of(view.system).zone),
        checks.generator(view, facts),
        *(CheckRow(check, Result.CANNOT_BE_SEEN, why, decides=False) for check, why in checks.NEVER_SEEN),
        *(CheckRow(check, Result.PERSON, why, decides=False) for check, why in checks.FOR_A_PERSON),
    ]
    return Isolation(
        system=view.system,
        unit=unit,
        from_at=from_at,
        to_at=to_at,
        overall=overall(rows),
        rows=tuple(rows),
        met_between=_met_between(view, seen, unit, facts.expected, to_at - from_at, rows),
        as_of=seen.as_of,
    )


def with_newer(checked: Isolation, judged: HoldUpJudgement | None) -> Isolation:
    """Return a check with how long the others hold as it is judged now, where that is of the load now.

    A check is asked for anew every few minutes; beside it stands what the newest judgement says of the same loss.
    """
    lost = () if judged is None else judged.hold_ups.each_unit_lost
    low_s = next((x.hold_up.low_s for x in lost if x.unit == checked.unit), None)
    if low_s is None:
        return checked
    rows = tuple(_newer_hold(row, low_s) for row in checked.rows)
    return replace(checked, rows=rows, overall=overall(rows))


def _newer_hold(row: CheckRow, low_s: float) -> CheckRow:
    why = row.because
    if why.code is not Code.OTHERS_HOLD or why["window"]:
        return row
    needed_s, purpose = float(str(why["needed_s"])), why["purpose"]
    newer = reason(Code.OTHERS_HOLD, low_s=low_s, needed_s=needed_s, purpose=purpose, window=False)
    return replace(row, because=newer, result=Result.MET if low_s >= needed_s else Result.NOT_MET)


def overall(rows: Sequence[CheckRow]) -> Overall:
    """Return the answer: not met if any row is not; open if a row that could be read was not."""
    deciding = {row.result for row in rows if row.decides}
    if Result.NOT_MET in deciding:
        return Overall.NOT_MET
    return Overall.CANNOT_TELL if Result.CANNOT_BE_SEEN in deciding else Overall.MET


def _met_between(  # noqa: PLR0917 - one question and all it stands on
    view: SystemView,
    seen: SystemObservation,
    unit: str,
    expected: Sequence[Expected],
    lasts: timedelta,
    rows: Sequence[CheckRow],
) -> tuple[Between, ...]:
    """Return when the window would fit by its load; nothing while another row stands against it."""
    by_load = {"load_fits_now", "load_fits_window"}
    if any(r.decides and r.result is Result.NOT_MET and r.check not in by_load for r in rows):
        return ()
    limits = checks.remaining(view, seen, unit)
    if limits is None:
        return ()
    quarter = timedelta(minutes=15)
    found: list[Between] = []
    tight, lines = None, None
    for item in expected:
        if item.lines is not lines:  # quarters of the same load share its value
            tight, lines = checks.tightest([item], limits), item.lines
        if tight is None or tight.left_fraction < MARGIN_WANTED:
            continue
        if found and found[-1].to_at == item.at:
            found[-1] = Between(found[-1].from_at, item.at + quarter)
        else:
            found.append(Between(item.at, item.at + quarter))
    return tuple(stretch for stretch in found if stretch.to_at - stretch.from_at >= lasts)
