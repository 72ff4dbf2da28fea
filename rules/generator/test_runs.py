"""Runs of a generator on load: how long, how much, and whether they count as its test.

RFC 1628 knows nothing of generators, so a run is what the site's words say. What it carried is the site's own
figure where it gives one. Else there is only what the units took from the supply meanwhile: the generator feeds
more than units, so that is the least it carried. A run that is seen to carry too little may have carried
enough, and one that the cards show to carry enough did.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta, tzinfo
from itertools import pairwise
from typing import Final

from rules.generator.outage_source import SetWord
from rules.plant.reading import OutputSource, Reading
from rules.values.code import Code
from rules.values.reason import Reason, reason

TEST_LEAST_S: Final = 1800.0
TEST_LEAST_LOAD: Final = 0.30
"""A run on load counts as a test from 30 min at 30 % of rating on (NFPA 110, as quoted by the trade)."""
COUNTS_FOR: Final = timedelta(seconds=60)
"""How long a unit is taken to go on as last read; after that what it takes is not known, and counts nothing."""
FED: Final = frozenset((OutputSource.NORMAL, OutputSource.BYPASS, OutputSource.BOOSTER, OutputSource.REDUCER))


def taken_w(reading: Reading) -> float | None:
    """Return the watts that a unit takes from its supply at the least; None where the card does not tell.

    The input's true power where every line has it. Else what the output gives, as long as the bank gives
    nothing of it: losses and recharging come on top.
    """
    if reading.on_battery:
        return 0.0
    powers = [line.power_w for line in reading.input.lines if line.power_w is not None]
    if powers and len(powers) == len(reading.input.lines):
        return sum(powers)
    if reading.output.source not in FED:
        return None
    current_a = reading.battery.current_a
    return 0.0 if current_a is not None and current_a > 0.0 else reading.output.power_w


@dataclass(frozen=True, slots=True)
class Seen:
    """What the cards saw of one run: `energy_j` from `since` until `at`, and by unit what it takes now."""

    since: datetime
    at: datetime
    energy_j: float = 0.0
    over: bool = False
    taking: Mapping[str, tuple[datetime, float]] = field(default_factory=dict)

    def upto(self, at: datetime) -> Seen:
        """Return this as it stands at a later moment; time never runs backwards."""
        if at <= self.at:
            return self
        gained_j = sum(
            w * max((min(at, read + COUNTS_FOR) - self.at).total_seconds(), 0.0)
            for read, w in self.taking.values()
        )
        return replace(self, at=at, energy_j=self.energy_j + gained_j)

    def after(self, reading: Reading) -> Seen:
        """Return this after a reading of a unit that the generator feeds."""
        watts = taken_w(reading)
        others = {unit: taken for unit, taken in self.taking.items() if unit != reading.unit}
        now = {} if watts is None else {reading.unit: (reading.at, watts)}
        return replace(self.upto(reading.at), taking={**others, **now})

    @property
    def mean_w(self) -> float | None:
        """Return the mean over the run so far, None before any of it has passed."""
        passed_s = (self.at - self.since).total_seconds()
        return self.energy_j / passed_s if passed_s > 0 else None


@dataclass(frozen=True, slots=True)
class SetRun:
    """One run of the generator on load. `load_w`: as the site says, in the mean; `seen_w`: the least, by the cards."""

    at: datetime
    for_s: float
    load_w: float | None
    seen_w: float | None = None


def runs(words: Sequence[SetWord], seen: Sequence[Seen] = ()) -> tuple[SetRun, ...]:
    """Return the runs on load that are over, oldest first. `words` and `seen` are in the order of their time."""
    by_start = {one.since: one for one in seen}
    return tuple(
        SetRun(
            stretch[0].at,
            (stretch[-1].at - stretch[0].at).total_seconds(),
            _mean_w(stretch),
            None if stretch[0].at not in by_start else by_start[stretch[0].at].mean_w,
        )
        for stretch in _stretches(words)
    )


def running_since(words: Sequence[SetWord]) -> datetime | None:
    """Return since when the generator carries load by the last word, None while it does not."""
    since: datetime | None = None
    for word in words:
        since = (since or word.at) if word.on_load else None
    return since


def _stretches(words: Sequence[SetWord]) -> Iterator[list[SetWord]]:
    """Yield the words of each run that is over, the one that ended it last."""
    stretch: list[SetWord] = []
    for word in words:
        if word.on_load or stretch:
            stretch.append(word)
        if stretch and not word.on_load:
            yield stretch
            stretch = []


def _mean_w(stretch: Sequence[SetWord]) -> float | None:
    """Return the mean of what the site's meter told, each word until the next; None where none told."""
    told = [
        ((after.at - word.at).total_seconds(), word.load_w)
        for word, after in pairwise(stretch)
        if word.load_w is not None
    ]
    seconds = sum(s for s, _ in told)
    return sum(s * w for s, w in told) / seconds if seconds > 0 else None


@dataclass(frozen=True, slots=True)
class SetTest:
    """When the generator was last tested on load, when the next is due, and why. `heard`: whether anything tells of runs."""

    last: datetime | None
    due: datetime | None
    overdue: bool
    because: Reason
    heard: bool = False


def set_test(
    ran: Sequence[SetRun],
    rating_w: float,
    now: datetime,
    every: timedelta = timedelta(days=31),
    *,
    heard_since: datetime | None = None,
    zone: tzinfo = UTC,
) -> SetTest:
    """Return how the generator stands with its tests on load. `zone`: the clock at the generator.

    `heard_since`: since when the site tells of this generator, None where it never did; a generator of which nobody
    tells may be tested every week, so no date is made of that. A run whose load is not known to be too
    small counts by its length.
    """
    heard = heard_since is not None or bool(ran)
    enough = [run for run in ran if not _falls_short(run, rating_w, zone)]
    last = max(enough, key=lambda run: run.at, default=None)
    later = [run for run in ran if last is None or run.at > last.at]
    short = _falls_short(later[-1], rating_w, zone) if later else None
    if last is not None:
        due = last.at + every
        why = reason(
            Code.RUN_LAST,
            ran=_day(last.at, zone),
            for_s=last.for_s,
            load_w=last.load_w,
            seen_w=last.seen_w,
            rating_w=rating_w,
            enough=last.seen_w is not None and last.seen_w / rating_w >= TEST_LEAST_LOAD,
            due=_day(due, zone),
            short=short,
        )
        return SetTest(last.at, due, due < now, why, heard)
    if heard_since is None:
        why = reason(Code.RUN_NEVER_SEEN, short=short) if ran else reason(Code.RUNS_NOT_TOLD)
        return SetTest(None, None, True, why, heard)
    due = heard_since + every
    why = reason(Code.RUN_NEVER_SEEN_SINCE, since=_day(heard_since, zone), short=short)
    return SetTest(None, due, due < now, why, heard)


def _day(moment: datetime, zone: tzinfo) -> date:
    """Return the day on which a moment fell by the clock at the generator."""
    return moment.astimezone(zone).date()


def _falls_short(run: SetRun, rating_w: float, zone: tzinfo) -> Reason | None:
    """Return why a run is no test, None for one that counts."""
    ran = _day(run.at, zone)
    if run.for_s < TEST_LEAST_S:
        return reason(Code.RUN_TOO_SHORT, ran=ran, for_s=run.for_s)
    if run.load_w is not None and run.load_w < TEST_LEAST_LOAD * rating_w:
        return reason(Code.RUN_TOO_LIGHT, ran=ran, load_w=run.load_w, rating_w=rating_w)
    return None
