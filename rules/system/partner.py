"""Paired systems: could one take its partner's load too, on every line, now and at the peaks of both?

A pair stands in for each other: a board fed by two systems, a transfer between two halls. So every unit
of the one that takes counts, none is kept as spare, and nothing is lost but the partner. The peaks of
both are added as though they came at once: never less than will be asked. That line 1 of one board is
line 1 of the other is taken from the estate file; no card can show it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from rules.system.load.peaks import Peaks
from rules.system.parallel import FEEDING, MERELY_UNSEEN, Parallel, UnitView
from rules.system.redundancy import (
    NO_SPARE,
    Margin,
    limits_with_spares_gone,
    load_to_judge_by,
    loads_at,
    margins,
    margins_at,
)
from rules.system.state import Load, LoadBasis, PartnerVerdict
from rules.values.code import Code
from rules.values.reason import Reason, reason
from rules.values.verdict import Verdict

Loads = Mapping[int, tuple[float, float] | None]


@dataclass(frozen=True, slots=True)
class PartnerLoad:
    """What is known of the partner: its load as last seen (None: not read since the start), and its peaks."""

    system: str
    name: str
    load: Load | None
    peaks: Peaks


def takes_partner(
    views: Sequence[UnitView],
    parallel: Parallel,
    peaks: Peaks,
    other: PartnerLoad,
) -> PartnerVerdict:
    """Return whether the units seen in `views` carry their own load and their partner's."""
    reasons = [
        reason(Code.UNIT_TAKES_NOTHING, item.id, standing=item.standing)
        for item in parallel.units
        if item.standing in NO_SPARE
    ]
    reasons += [reason(Code.IDLE_NOT_COUNTED_ON, because=why) for why in parallel.idle.values()]
    reasons += parallel.notes
    if other.load is None:
        return _open(other, parallel, [*reasons, reason(Code.PARTNER_NOT_READ, name=other.name)])
    unseen = list(parallel.with_standing(MERELY_UNSEEN))
    able = list(parallel.with_standing(FEEDING))
    known = {view.unit.id for view in views if view.fitted is not None}
    if nameless := sorted({*able, *unseen} - known):
        return _open(other, parallel, [*reasons, reason(Code.RATINGS_NOT_KNOWN, units=tuple(nameless))])
    basis, own, note = load_to_judge_by(parallel.load, peaks)
    their_basis, theirs, _ = load_to_judge_by(other.load, other.peaks)
    asked = added(own, theirs)
    if LoadBasis.NOW in (basis, their_basis):
        basis = LoadBasis.NOW
        reasons.append(reason(Code.PARTNERS_RECORD_SHORT))
    else:
        reasons += note
    loads = {line: pair for line, pair in asked.items() if pair is not None}
    if len(loads) < len(asked) or not loads:
        partner = other.name if None in theirs.values() else None
        here = None in own.values() or partner is None
        lacking = reason(Code.PARTNERS_LOADS_NOT_KNOWN, here=here, partner=partner)
        return _open(other, parallel, [*reasons, lacking], basis)
    limits = _limits(views, able, loads)
    ranked = margins(loads, limits)
    not_seen_now = unseen or parallel.load.power_w is None or other.load.power_w is None
    if not_seen_now:
        limits = _limits(views, [*able, *unseen], loads)
        ranked = margins(loads, limits)
        if ranked[0].left_fraction >= 0.0:
            blind = (
                []
                if other.load.power_w is not None
                else [reason(Code.PARTNER_LOAD_NOT_KNOWN_NOW, name=other.name)]
            )
            return _open(other, parallel, [*reasons, *parallel.cannot_tell, *blind], basis)
        reasons.append(reason(Code.NOT_ENOUGH_EVEN_IF_SOUND))
    tight = ranked[0]
    bases = loads_at(parallel.load, peaks)
    beside = loads_at(other.load, other.peaks)
    return PartnerVerdict(
        partner=other.system,
        verdict=Verdict.ADEQUATE if tight.left_fraction >= 0.0 else Verdict.INADEQUATE,
        because=(_reason(tight, loads, limits, other.name, basis), *reasons),
        as_of=parallel.as_of,
        margin_w=tight.left_w,
        margin_fraction=tight.left_fraction,
        tightest_line=tight.line,
        tightest_limit=tight.limit,
        basis=basis,
        at=margins_at({b: added(bases[b], beside[b]) for b in LoadBasis if bases[b] and beside[b]}, limits),
    )


def added(own: Loads, theirs: Loads) -> dict[int, tuple[float, float] | None]:
    """Return both loads together, by line as (W, VA); None where either has a line that is not known.

    Volt-amperes are added as magnitudes, which overstates where power factors differ: the safe side.
    """
    total: dict[int, tuple[float, float] | None] = {}
    for line in sorted({*own, *theirs}):
        pairs = [loads[line] for loads in (own, theirs) if line in loads]
        known = [pair for pair in pairs if pair is not None]
        whole = len(known) == len(pairs)
        total[line] = (sum(p[0] for p in known), sum(p[1] for p in known)) if whole else None
    return total


def _limits(
    views: Sequence[UnitView], able: Sequence[str], loads: Mapping[int, object]
) -> dict[int, tuple[float, float]]:
    """Return what the able units carry by line; a line that only the partner has gets nothing."""
    own = limits_with_spares_gone(views, able, 0)
    return {line: own.get(line, (0.0, 0.0)) for line in loads}


def _reason(
    tight: Margin,
    loads: Mapping[int, tuple[float, float]],
    limits: Mapping[int, tuple[float, float]],
    name: str,
    basis: LoadBasis,
) -> Reason:
    place = 0 if tight.limit == "w" else 1
    asked, carried = loads[tight.line][place], limits[tight.line][place]
    line, limit, now = tight.line, tight.limit, basis is LoadBasis.NOW
    if carried <= 0.0:
        return reason(Code.PARTNER_LINE_UNCARRIED, name=name, line=line, limit=limit, asked=asked, now=now)
    if tight.left_fraction >= 0.0:
        return reason(
            Code.PARTNER_LOAD_FITS, name=name, line=line, limit=limit, asked=asked, carried=carried, now=now
        )
    return reason(
        Code.PARTNER_LOAD_DOES_NOT_FIT,
        name=name,
        line=line,
        limit=limit,
        asked=asked,
        carried=carried,
        now=now,
    )


def _open(
    other: PartnerLoad, parallel: Parallel, because: Sequence[Reason], basis: LoadBasis = LoadBasis.NOW
) -> PartnerVerdict:
    return PartnerVerdict(
        partner=other.system,
        verdict=Verdict.CANNOT_TELL,
        because=tuple(dict.fromkeys(because)),
        as_of=parallel.as_of,
        margin_w=None,
        margin_fraction=None,
        tightest_line=None,
        tightest_limit=None,
        basis=basis,
    )
