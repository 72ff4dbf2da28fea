"""When a system is on its banks in a scenario: outages, the generator behind them, and the way back.

A scenario is deterministic: it says what the mains and the generator do. What follows is a list of battery
intervals; between them the banks recharge. Every change of supply costs an interval of its own, since
the units have to qualify what comes and ramp on to it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from rules.plant.estate import Generator, Unit
from rules.system.requirements import starts_s, walk_in_steps
from rules.values.code import Code
from rules.values.reason import Reason, reason

FOR_EVER: Final = float("inf")


class SupplyChange(StrEnum):
    """What begins a stretch on the banks, or ends it."""

    MAINS_LOST = "mains lost"
    MAINS_BACK = "mains back"
    SET_CARRIES = "set carries"
    FUEL_OUT = "fuel is out"
    RETRANSFER = "retransfer"
    MAINS_CARRIES = "mains carries"


class SetCase(StrEnum):
    """What the generator does in a scenario."""

    AS_DECLARED = "as_declared"  # the last automatic start works
    STARTS = "starts"  # at the try or after the seconds given
    BY_HAND = "by_hand"  # all automatic starts fail, a person starts it
    NEVER = "never"  # refuses, is isolated, or does not exist


@dataclass(frozen=True, slots=True)
class MainsOut:
    """Mains lost at `from_s` for `for_s` (None: not back within the scenario).

    `generator` False: the generator is isolated in this window, as in a planned electrical shutdown.
    """

    from_s: float
    for_s: float | None
    generator: bool = True
    feed: str | None = None


@dataclass(frozen=True, slots=True)
class SetPlan:
    """What the generator does: at which try it starts, or after how many seconds; fuel; how long it runs steady.

    `refused_s`: how much longer the units refuse its supply than they should (hunting frequency).
    `retransfer_s`: mains must be steady for this long before the load goes back.
    """

    case: SetCase = SetCase.AS_DECLARED
    at_try: int | None = None
    after_s: float | None = None
    refused_s: float = 0.0
    fuel_hours: float | None = None
    retransfer_s: float = 600.0


@dataclass(frozen=True, slots=True)
class OnBanks:
    """One stretch on the banks: from, until (inf: not ended by any supply), and why."""

    from_s: float
    until_s: float
    began: SupplyChange
    ended: SupplyChange | None


@dataclass(frozen=True, slots=True)
class SupplyMark:
    """Something the supply does at a moment."""

    at_s: float
    what: Reason


def ready_s(plan: SetPlan, generator: Generator | None) -> float | None:
    """Return s from the loss of the mains until the generator can take load; None: it never can."""
    if generator is None or plan.case is SetCase.NEVER:
        return None
    if plan.case is SetCase.BY_HAND:
        if generator.hand_start_s is None:
            return None
        tries_s = starts_s(generator, generator.attempts)
        return generator.detect_s + tries_s + generator.hand_start_s + generator.start_s
    if plan.case is SetCase.STARTS and plan.after_s is not None:
        return plan.after_s
    attempt = generator.attempts if plan.at_try is None else plan.at_try
    if attempt > generator.attempts:
        return None
    return generator.detect_s + starts_s(generator, attempt) + generator.start_s


def on_banks(
    outages: Sequence[MainsOut], plan: SetPlan, generator: Generator | None, units: Sequence[Unit]
) -> tuple[tuple[OnBanks, ...], tuple[SupplyMark, ...]]:
    """Return the stretches on the banks, in order and merged, and what the supply does when."""
    walk_s = sum(step.allowed_s for step in walk_in_steps(units))
    stretches: list[OnBanks] = []
    marks: list[SupplyMark] = []
    for outage in sorted(outages, key=lambda o: o.from_s):
        back_s = FOR_EVER if outage.for_s is None else outage.from_s + outage.for_s
        marks.append(SupplyMark(outage.from_s, _lost(outage.feed)))
        wait_s = ready_s(plan, generator) if outage.generator else None
        if generator is not None and outage.generator:
            marks += _tries(outage.from_s, back_s, plan, generator, wait_s)
        if wait_s is None or generator is None or outage.from_s + wait_s >= back_s:
            stretches.append(
                OnBanks(outage.from_s, back_s + walk_s, SupplyChange.MAINS_LOST, SupplyChange.MAINS_BACK)
            )
        else:
            stretches += _with_set(outage, back_s, wait_s, plan, generator, walk_s, marks)
        if back_s < FOR_EVER:
            marks.append(SupplyMark(back_s, _back(outage.feed)))
    return _merged(stretches), tuple(sorted(marks, key=lambda m: m.at_s))


def _lost(feed: str | None) -> Reason:
    return reason(Code.HAPPENS_MAINS_LOST) if feed is None else reason(Code.HAPPENS_FEED_OFF, feed)


def _back(feed: str | None) -> Reason:
    return reason(Code.HAPPENS_MAINS_BACK) if feed is None else reason(Code.HAPPENS_FEED_ON, feed)


def _tries(
    from_s: float, back_s: float, plan: SetPlan, generator: Generator, wait_s: float | None
) -> list[SupplyMark]:
    """Return the automatic starts that the generator makes before it runs, or the mains is back."""
    if plan.case is SetCase.STARTS and plan.after_s is not None:
        return []
    marks = []
    for attempt in range(1, generator.attempts + 1):
        done_s = generator.detect_s + starts_s(generator, attempt)
        works = wait_s is not None and abs(wait_s - done_s - generator.start_s) < 1e-9
        if from_s + done_s >= back_s:
            break
        what = (
            reason(Code.HAPPENS_START_WORKS, attempt=attempt)
            if works
            else reason(Code.HAPPENS_START_FAILS, attempt=attempt)
        )
        marks.append(SupplyMark(from_s + done_s, what))
        if works:
            break
    return marks


def _with_set(  # noqa: PLR0917 - one outage and everything that shapes it
    outage: MainsOut,
    back_s: float,
    wait_s: float,
    plan: SetPlan,
    generator: Generator,
    walk_s: float,
    marks: list[SupplyMark],
) -> list[OnBanks]:
    """Return the stretches of an outage in which the generator takes the load."""
    takes_s = outage.from_s + wait_s + generator.transfer_s
    marks.append(SupplyMark(takes_s, reason(Code.HAPPENS_SET_TAKES_LOAD)))
    bridged = OnBanks(
        outage.from_s, takes_s + plan.refused_s + walk_s, SupplyChange.MAINS_LOST, SupplyChange.SET_CARRIES
    )
    hours = plan.fuel_hours if plan.fuel_hours is not None else generator.fuel_hours
    empty_s = FOR_EVER if hours is None else takes_s + 3600.0 * hours
    home_s = back_s + plan.retransfer_s
    if hours is not None and empty_s <= home_s:
        marks.append(SupplyMark(empty_s, reason(Code.HAPPENS_FUEL_OUT)))
        return [
            bridged,
            OnBanks(empty_s, max(back_s, empty_s) + walk_s, SupplyChange.FUEL_OUT, SupplyChange.MAINS_BACK),
        ]
    if home_s == FOR_EVER:
        return [bridged]
    marks.append(SupplyMark(home_s, reason(Code.HAPPENS_LOAD_TO_MAINS)))
    return [
        bridged,
        OnBanks(
            home_s,
            home_s + generator.transfer_s + walk_s,
            SupplyChange.RETRANSFER,
            SupplyChange.MAINS_CARRIES,
        ),
    ]


def _merged(stretches: Sequence[OnBanks]) -> tuple[OnBanks, ...]:
    """Return stretches in order, those that touch made one."""
    merged: list[OnBanks] = []
    for item in sorted(stretches, key=lambda s: s.from_s):
        if merged and item.from_s <= merged[-1].until_s:
            if item.until_s > merged[-1].until_s:
                merged[-1] = OnBanks(merged[-1].from_s, item.until_s, merged[-1].began, item.ended)
        else:
            merged.append(item)
    return tuple(
        OnBanks(s.from_s, s.until_s, s.began, None if s.until_s == FOR_EVER else s.ended) for s in merged
    )
