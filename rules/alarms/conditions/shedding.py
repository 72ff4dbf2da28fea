"""What to shed first while a system is on its banks, as it stands at the moment this is said."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Final

from rules.system.outage.line_over import LineOver
from rules.system.state import OnBattery, ShedFirst, ShedStep
from rules.values.code import Code
from rules.values.reason import Reason, reason

ENOUGH: Final = 1.1
"""How far over what is wanted the time left must lie before steps that were advised are taken back."""


LAST_MOMENT: Final = timedelta(seconds=60)
"""Before the earliest end, in which nobody is told that shedding can wait: a hand at a switch takes as long."""


def holds_without(shed: ShedFirst, at: datetime, ends: datetime) -> bool:
    """Return whether it holds for what is wanted without shedding, by what is known of its end at `at`."""
    return (ends - at) >= (shed.until - at) * (ENOUGH if shed.steps else 1.0)


def shed_reason(shed: ShedFirst, at: datetime, ends: datetime | None) -> Reason:
    """Return what to shed first, with how long it then holds from `at`, and since when it is not reckoned anew.

    `ends`: when it ends at the earliest without shedding, as known at `at`: that is newer than the advice, and is what
    stands beside what is said. None: not known, and then nothing can be told of what shedding gives.
    """
    first = _as_known(shed, at, ends)
    if shed.not_since is None:
        return first
    ago_s = (at - shed.as_of).total_seconds()
    return reason(Code.SHED_NOT_SINCE, shed=first, ago_s=ago_s, why=shed.not_since)


def _as_known(shed: ShedFirst, at: datetime, ends: datetime | None) -> Reason:
    if shed.reached is None or ends is None:
        return reason(Code.SHED_NOT_TOLD, steps=_steps(shed.order))
    wanted_for, wanted_s, of_s = shed.wanted_for, _left_s(shed, at), shed.of_s or shed.wanted_s
    if holds_without(shed, at, ends):
        return reason(Code.SHED_NOTHING_YET, wanted_for=wanted_for, wanted_s=wanted_s, of_s=of_s)
    late = shed.shed_by is not None and at > shed.shed_by and not shed.all_shed
    if (not shed.steps and shed.reached) or (late and len(shed.steps) < len(shed.order)):
        # there is more to shed than was advised, and that is asked now
        return reason(Code.SHED_BEING_RECKONED, wanted_for=wanted_for, wanted_s=wanted_s, of_s=of_s)
    if not shed.steps:
        return reason(Code.SHED_NO_GROUP, wanted_for=wanted_for, wanted_s=wanted_s, of_s=of_s)
    steps = _steps(shed.steps)
    if late:
        return reason(Code.SHED_TOO_LATE, steps=steps, wanted_for=wanted_for, wanted_s=wanted_s, of_s=of_s)
    return _first(shed, at, ends)


def _left_s(shed: ShedFirst, at: datetime) -> float:
    """Return how long it should still hold from a moment."""
    return max((shed.until - at).total_seconds(), 0.0)


def _first(shed: ShedFirst, at: datetime, ends: datetime) -> Reason:
    if shed.all_shed:
        wanted_s, of_s = _left_s(shed, at), shed.of_s or shed.wanted_s
        return reason(
            Code.SHED_ALL, steps=_steps(shed.steps), wanted_for=shed.wanted_for, wanted_s=wanted_s, of_s=of_s
        )
    then_s = within_s = None
    if shed.ends_earliest is not None:
        then_s = (max(shed.ends_earliest, ends, at) - at).total_seconds()
    if shed.reached and shed.shed_by is not None:
        # Whoever waits to the end of the bank sheds a dark load: what stands as left is the least, not a promise.
        within_s = (min(shed.shed_by, ends - LAST_MOMENT) - at).total_seconds()
    return reason(
        Code.SHED_FIRST,
        steps=_steps(shed.steps),
        then_s=then_s,
        within_s=within_s,
        reached=bool(shed.reached),
        wanted_for=shed.wanted_for,
        wanted_s=_left_s(shed, at),
    )


def _steps(steps: Iterable[ShedStep]) -> tuple[Reason, ...]:
    return tuple(reason(Code.SHED_STEP, step.group, power_w=step.power_w, by=step.by) for step in steps)


def end_overloads(system: str, outage: OnBattery, units: int) -> Reason | None:
    """Return what the end of the banks overloads where some of a system's units are fed; None where it does not.

    `units`: how many of them are on their banks.
    """
    found = outage.relief
    return (
        None
        if found is None
        else reason(Code.END_OVERLOADS, system, units=units, lines=_over(system, found.over))
    )


def relieve(system: str, outage: OnBattery, at: datetime) -> Reason | None:
    """Return what to take off the lines that the end of the banks would overload, and within how long; None: nothing."""
    found, ends = outage.relief, outage.ends_earliest
    if found is None:
        return None
    return reason(
        Code.DO_RELIEVE_LINES,
        lines=_over(system, found.over),
        within_s=None if ends is None else (ends - LAST_MOMENT - at).total_seconds(),
        steps=_steps(found.steps),
        enough=found.enough,
    )


def _over(system: str, lines: Iterable[LineOver]) -> tuple[Reason, ...]:
    return tuple(
        reason(Code.LINE_OVER, system, line=one.line, over=one.over, limit=one.limit) for one in lines
    )
