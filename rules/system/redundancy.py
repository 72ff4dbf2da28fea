"""Whether spare units are spare: what is left after losing the largest, line by line, in W and in VA.

IEC 62040-3: redundant if, on each line, the load is within what remains when `spare_units` units are
gone. The 30-day peak decides, not the moment. Which units are taken away is the worst choice for each
line and limit, so units of unequal rating are covered. A unit in bypass, off, isolated or not seen carrying
while its peers carry is no spare; one that is merely silent leaves the question open. A load known to bounds alone
passes by the upper one and fails by the lower one. What the banks behind the units hold is another question: banks
not shown to carry their part are named beside the verdict, and change nothing in it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date

from rules.system.load.peaks import DayPeak, Peaks
from rules.system.parallel import FEEDING, MERELY_UNSEEN, Parallel, UnitView
from rules.system.state import LineRedundancy, Load, LoadBasis, Redundancy, RedundancyAt, Standing
from rules.values.code import Code
from rules.values.reason import Reason, reason
from rules.values.verdict import Verdict

ENOUGH_DAYS = 1.0
"""Days of record under which no peak of 30 days is spoken of: what is asked now decides, or the highest seen yet."""

NOISE_SHARE = 0.02

NO_SPARE = frozenset((Standing.BYPASS, Standing.OFF, Standing.ISOLATED))
"""Standings in which a unit can take nothing."""


@dataclass(frozen=True, slots=True)
class Margin:
    """What is left on one line under one limit (`limit` is "w" or "va")."""

    line: int
    limit: str
    left: float
    left_fraction: float
    left_w: float


def limits_with_spares_gone(
    views: Sequence[UnitView], able: Sequence[str], spare_units: int
) -> dict[int, tuple[float, float]]:
    """Return what remains, by board line, as (W, VA) with the largest `spare_units` of the able units gone.

    Every line that any unit of the system feeds is listed, also with nothing left.

    Raises:
        ValueError: an able unit has no known rating.
    """
    limits: dict[int, tuple[float, float]] = {}
    for line in sorted({n for view in views for n in view.unit.line_order[: view.unit.output_lines]}):
        on_line = [v for v in views if v.unit.id in able and line in v.unit.line_order[: v.unit.output_lines]]
        watts, volt_amperes = [], []
        for view in on_line:
            if view.line_rating_w is None or view.line_rating_va is None:
                raise ValueError(f"unit {view.unit.id} has no known rating")
            watts.append(view.line_rating_w)
            volt_amperes.append(view.line_rating_va)
        limits[line] = (
            sum(sorted(watts, reverse=True)[spare_units:]),
            sum(sorted(volt_amperes, reverse=True)[spare_units:]),
        )
    return limits


def margins(
    loads: Mapping[int, tuple[float, float]], limits: Mapping[int, tuple[float, float]]
) -> list[Margin]:
    """Return the margin of every line under both limits, tightest first.

    `left_w` is the true power that may still be added at the line's present power factor.
    """
    found = []
    for line, (watts, volt_amperes) in loads.items():
        limit_w, limit_va = limits[line]
        factor = watts / volt_amperes if volt_amperes > 0.0 else 1.0
        found.append(Margin(line, "w", limit_w - watts, _fraction(watts, limit_w), limit_w - watts))
        left_va = limit_va - volt_amperes
        found.append(Margin(line, "va", left_va, _fraction(volt_amperes, limit_va), left_va * factor))
    return sorted(found, key=lambda m: (m.left_fraction, m.line, m.limit))


def _fraction(load: float, limit: float) -> float:
    """Return the part of `limit` that is left; -1 where a load stands against nothing."""
    if limit > 0.0:
        return (limit - load) / limit
    return -1.0 if load > 0.0 else 0.0


def redundancy(
    views: Sequence[UnitView],
    parallel: Parallel,
    peaks: Peaks,
    spare_units: int,
    unproven: Mapping[str, str] | None = None,
) -> Redundancy | None:
    """Return whether `spare_units` units can be lost without dropping the load; None where none is spare.

    `unproven` names banks not shown to carry their part, each with the unit it stands behind: they are listed.
    """
    if spare_units == 0:
        return None
    found = _electrical(views, parallel, peaks, spare_units)
    banks = tuple(unproven or ())
    if not banks:
        return found
    first = reason(Code.WITH_BANKS_UNPROVEN, first=found.because[0], banks=banks)
    because = (first, *found.because[1:])
    return replace(found, because=because, unproven_banks=banks)


def _electrical(views: Sequence[UnitView], parallel: Parallel, peaks: Peaks, spare_units: int) -> Redundancy:
    reasons = [
        reason(Code.UNIT_NO_SPARE, item.id, standing=item.standing)
        for item in parallel.units
        if item.standing in NO_SPARE
    ]
    reasons += [reason(Code.IDLE_NO_SPARE, because=why) for why in parallel.idle.values()]
    unseen = parallel.with_standing(MERELY_UNSEEN)
    able = list(parallel.with_standing(FEEDING))
    hopeful = [*able, *unseen]
    known = {view.unit.id for view in views if view.fitted is not None}
    if not known.issuperset(hopeful):
        nameless = reason(Code.RATINGS_NOT_KNOWN, units=tuple(sorted(set(hopeful) - known)))
        return _cannot_tell(parallel, peaks, {}, [nameless, *reasons])
    limits = limits_with_spares_gone(views, able, spare_units)
    basis, asked, note = load_to_judge_by(parallel.load, peaks)
    reasons += [*note, *parallel.notes]
    if unseen:
        best = limits_with_spares_gone(views, hopeful, spare_units)
        reasons += list(parallel.cannot_tell)
        known_peaks = {line: load for line, load in asked.items() if load is not None}
        worst = margins({k: v for k, v in known_peaks.items() if v is not None}, best)
        if not worst or worst[0].left_fraction >= 0.0:
            # why it cannot be told comes first, what it is judged by after it
            return _cannot_tell(parallel, peaks, limits, [*parallel.cannot_tell, *reasons], basis)
        reasons.append(reason(Code.NOT_ENOUGH_EVEN_IF_SOUND))
        limits, able = best, hopeful
    loads = {line: load for line, load in asked.items() if load is not None}
    if len(loads) < len(asked) or not loads:
        return _cannot_tell(parallel, peaks, limits, [reason(Code.LOAD_NOT_KNOWN_ON_LINES), *reasons], basis)
    ranked = margins(loads, limits)
    tight = ranked[0]
    if tight.left_fraction < 0.0 and _fits_by_the_lower_bound(parallel.load, peaks, limits):
        why = reason(Code.BOUNDS_DISAGREE)
        return _cannot_tell(parallel, peaks, limits, [why, *reasons], basis)
    verdict = _verdict(tight, limits)
    gone = {(m.line, m.limit): gone_on(views, able, spare_units, m.line, m.limit) for m in ranked}
    return Redundancy(
        verdict=verdict,
        because=(*_reasons(ranked, limits, loads, gone, basis), *reasons),
        as_of=parallel.as_of,
        margin_w=tight.left_w,
        margin_fraction=tight.left_fraction,
        tightest_line=tight.line,
        tightest_limit=tight.limit,
        basis=basis,
        lines=_lines(parallel, loads, limits),
        at=_at_every_basis(parallel, peaks, limits),
        gone=gone[tight.line, tight.limit],
    )


def gone_on(
    views: Sequence[UnitView], able: Sequence[str], spare_units: int, line: int, limit: str
) -> tuple[str, ...]:
    """Return the units whose loss leaves a line the least under a limit: the largest, of equals the first."""
    rated = {
        v.unit.id: (v.line_rating_w if limit == "w" else v.line_rating_va) or 0.0
        for v in views
        if v.unit.id in able and line in v.unit.line_order[: v.unit.output_lines]
    }
    return tuple(sorted(rated, key=lambda unit: -rated[unit])[:spare_units])


def daily_margins(
    days: Sequence[DayPeak], limits: Mapping[int, tuple[float, float]]
) -> tuple[tuple[date, float], ...]:
    """Return the tightest margin of each day in W, against the limits of today; days not known left out."""
    found = []
    for day in days:
        loads = {x.line: pair for x in day.lines if (pair := _pair(x.power_w, x.apparent_va)) is not None}
        if loads and len(loads) == len(day.lines) and set(loads) <= set(limits):
            found.append((day.day, margins(loads, limits)[0].left_w))
    return tuple(found)


def _fits_by_the_lower_bound(load: Load, peaks: Peaks, limits: Mapping[int, tuple[float, float]]) -> bool:
    """Return whether a load of which part was reckoned fits where it lies at its lower bounds."""
    if not any(line.doubt_w or line.doubt_va for line in load.lines):
        return False
    lowest = load_to_judge_by(load, peaks, doubts=-1.0)[1]
    return (
        margins({n: pair for n, pair in lowest.items() if pair is not None}, limits)[0].left_fraction >= 0.0
    )


def _now(load: Load, doubts: float = 0.0) -> dict[int, tuple[float, float] | None]:
    """Return the load by line; `doubts` 1 gives its upper bounds where part of it was reckoned, -1 its lower ones."""
    return {
        line.line: _pair(
            None if line.power_w is None else line.power_w + doubts * line.doubt_w,
            None if line.apparent_va is None else line.apparent_va + doubts * line.doubt_va,
        )
        for line in load.lines
    }


def _pair(watts: float | None, volt_amperes: float | None) -> tuple[float, float] | None:
    return None if watts is None or volt_amperes is None else (watts, volt_amperes)


def load_to_judge_by(
    load: Load, peaks: Peaks, *, doubts: float = 1.0
) -> tuple[LoadBasis, dict[int, tuple[float, float] | None], list[Reason]]:
    """Return the load to judge by: the higher of the recorded peak and now, and what it rests on.

    Now is taken at its upper bounds where part of it was reckoned; `doubts` -1: at its lower ones.
    """
    now = _now(load, doubts)
    asked: dict[int, tuple[float, float] | None] = {}
    for line, present in now.items():
        recorded = peaks.of(line)
        peak = None if recorded is None else _pair(recorded.peak_w, recorded.peak_va)
        asked[line] = _higher(present, peak)
    if peaks.known_days < ENOUGH_DAYS:
        if any(_passes(asked[line], present) for line, present in now.items()):
            return LoadBasis.PEAK_30D, asked, [reason(Code.PEAK_OF_LESS_THAN_A_DAY)]
        return LoadBasis.NOW, asked, [reason(Code.JUDGED_BY_LOAD_NOW)]
    if peaks.known_days < 29.0:
        return LoadBasis.PEAK_30D, asked, [reason(Code.PEAK_OF_DAYS, days=peaks.known_days)]
    return LoadBasis.PEAK_30D, asked, []


def _passes(asked: tuple[float, float] | None, present: tuple[float, float] | None) -> bool:
    """Return whether what is judged by lies above a line's load now by more than the load's noise."""
    if asked is None or present is None:
        return False
    return any(high > (1.0 + NOISE_SHARE) * now for high, now in zip(asked, present, strict=True))


def _higher(
    present: tuple[float, float] | None, peak: tuple[float, float] | None
) -> tuple[float, float] | None:
    """Return the higher of a line's load now and its recorded peak, in W and in VA.

    A peak is the mean of five minutes: a moment that passes it by no more than the load's noise is no new one.
    """
    if present is None or peak is None:
        return present if peak is None else peak
    watts, volt_amperes = (
        high if now <= (1.0 + NOISE_SHARE) * high else now for now, high in zip(present, peak, strict=True)
    )
    return watts, volt_amperes


def _reasons(
    ranked: Sequence[Margin],
    limits: Mapping[int, tuple[float, float]],
    loads: Mapping[int, tuple[float, float]],
    gone: Mapping[tuple[int, str], tuple[str, ...]],
    basis: LoadBasis,
) -> list[Reason]:
    """Return why: the tightest line if it passes, every line that fails if not."""
    now = basis is LoadBasis.NOW

    def side_by_side(margin: Margin) -> tuple[float, float]:
        place = 0 if margin.limit == "w" else 1
        return loads[margin.line][place], limits[margin.line][place]

    failing = [margin for margin in ranked if margin.left_fraction < 0.0]
    if not failing and not _anything(limits):
        return []  # what is said of the units says it
    if not failing:
        tight = ranked[0]
        asked, remains = side_by_side(tight)
        without = gone[tight.line, tight.limit]
        return [
            reason(
                Code.EVERY_LINE_PASSES, line=tight.line, limit=tight.limit, asked=asked, remains=remains,
                gone=without, now=now,
            )
        ]  # fmt: skip
    return [
        reason(
            Code.LINE_FAILS, line=m.line, limit=m.limit, asked=asked, remains=remains,
            gone=gone[m.line, m.limit], now=now,
        )
        for m, (asked, remains) in ((margin, side_by_side(margin)) for margin in failing)
    ]  # fmt: skip


def _lines(
    parallel: Parallel,
    loads: Mapping[int, tuple[float, float]],
    limits: Mapping[int, tuple[float, float]],
) -> tuple[LineRedundancy, ...]:
    rows = []
    for item in parallel.load.lines:
        peak_w, peak_va = loads.get(item.line, (None, None))
        limit_w, limit_va = limits.get(item.line, (None, None))
        rows.append(
            LineRedundancy(item.line, item.power_w, item.apparent_va, peak_w, peak_va, limit_w, limit_va)
        )
    return tuple(rows)


def _anything(limits: Mapping[int, tuple[float, float]]) -> bool:
    """Return whether anything can be carried on some line."""
    return any(watts > 0.0 or volt_amperes > 0.0 for watts, volt_amperes in limits.values())


def _verdict(tight: Margin, limits: Mapping[int, tuple[float, float]]) -> Verdict:
    """Return the verdict at the tightest margin. Where nothing is left that could carry, a load of none passes for nothing."""
    passes = tight.left_fraction >= 0.0 and _anything(limits)
    return Verdict.ADEQUATE if passes else Verdict.INADEQUATE


def _at_every_basis(
    parallel: Parallel, peaks: Peaks, limits: Mapping[int, tuple[float, float]]
) -> tuple[RedundancyAt, ...]:
    """Return the margin now, at the 30-day peak and at the 95th percentile, where each is known."""
    return margins_at(loads_at(parallel.load, peaks), limits)


def loads_at(load: Load, peaks: Peaks) -> dict[LoadBasis, dict[int, tuple[float, float] | None]]:
    """Return the load by line as (W, VA) now, at the 30-day peak and at its 95th percentile; None: not known."""
    return {
        LoadBasis.NOW: _now(load),
        LoadBasis.PEAK_30D: {p.line: _pair(p.peak_w, p.peak_va) for p in peaks.lines},
        LoadBasis.P95_30D: {p.line: _pair(p.p95_w, p.p95_va) for p in peaks.lines},
    }


def margins_at(
    bases: Mapping[LoadBasis, Mapping[int, tuple[float, float] | None]],
    limits: Mapping[int, tuple[float, float]],
) -> tuple[RedundancyAt, ...]:
    """Return the tightest margin at each load that is known on every line."""
    found = []
    for basis, asked in bases.items():
        loads = {line: load for line, load in asked.items() if load is not None and line in limits}
        if loads and len(loads) == len(asked):
            tight = margins(loads, limits)[0]
            verdict = _verdict(tight, limits)
            found.append(
                RedundancyAt(basis, verdict, tight.left_w, tight.left_fraction, tight.line, tight.limit)
            )
    return tuple(found)


def _cannot_tell(
    parallel: Parallel,
    peaks: Peaks,
    limits: Mapping[int, tuple[float, float]],
    because: Sequence[Reason],
    basis: LoadBasis = LoadBasis.NOW,
) -> Redundancy:
    recorded = {p.line: _pair(p.peak_w, p.peak_va) for p in peaks.lines}
    known = {line: pair for line, pair in recorded.items() if pair is not None}
    return Redundancy(
        verdict=Verdict.CANNOT_TELL,
        because=tuple(dict.fromkeys(because)),
        as_of=parallel.as_of,
        margin_w=None,
        margin_fraction=None,
        tightest_line=None,
        tightest_limit=None,
        basis=basis,
        lines=_lines(parallel, known, limits),
    )
