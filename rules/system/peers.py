"""What the units beside one tell of it: that it carries nothing, what its card leaves out, that it still carries.

Units in parallel hang on one busbar and share its load in proportion to their ratings, line by line, to within
some points of rating. So a figure that one card leaves out lies within bounds that its peers give; a unit that
reads next to nothing while they carry is not known to be on the bar at all; and had a unit that fell silent
dropped out, its part would have gone over to its peers, which they would show.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from rules.values.code import Code
from rules.values.reason import Reason, reason

IDLE_SHARE: Final = 0.02
"""Part of its share under which a unit is not seen carrying."""
SHARE_TO_SEE: Final = 0.03
"""Part of its rating that a unit's share must reach for that: meters read nothing under some 2 %."""
IDLE_CURRENT: Final = 0.10
"""Volt-amperes, of rating, above which a unit with hardly a watt is on the bar all the same: current circulates."""
STILL_TELLS: Final = 0.05
"""Part of its rating that a unit must have carried for its peers to show whether it left them."""
LINES_APART: Final = 0.05
"""How far apart a unit shares on one line and on its others, of a line's rating: half of what `load_share` tells."""
POWER_FACTORS_APART: Final = 0.05
"""How far apart power factors are taken to be on one board line."""


@dataclass(frozen=True, slots=True)
class UnitLoad:
    """What one unit carries, by board line; None where it is not known.

    `rated_w`, `rated_va`: what one line of it is rated for. `doubt_w`, `doubt_va`: how far off a figure may be, either
    way, where it is not the card's own but was reckoned.
    """

    power_w: Mapping[int, float | None]
    apparent_va: Mapping[int, float | None]
    rated_w: float | None = None
    rated_va: float | None = None
    doubt_w: Mapping[int, float] = field(default_factory=dict)
    doubt_va: Mapping[int, float] = field(default_factory=dict)

    @property
    def left_out(self) -> tuple[int, ...]:
        """Return the lines on which the card leaves something out that it gives on others; power it must give on all."""
        gives_va = any(va is not None for va in self.apparent_va.values())
        return tuple(
            line
            for line, watts in self.power_w.items()
            if watts is None
            or line in self.doubt_w
            or line in self.doubt_va
            or (gives_va and self.apparent_va[line] is None)
        )

    @property
    def total_w(self) -> float | None:
        """Return the power of all lines, None where one is not known."""
        watts = list(self.power_w.values())
        return None if not watts or None in watts else sum(w for w in watts if w is not None)

    @property
    def total_va(self) -> float | None:
        """Return the apparent power of all lines, None where one is not known."""
        parts = list(self.apparent_va.values())
        return None if not parts or None in parts else sum(part for part in parts if part is not None)

    @property
    def rating_w(self) -> float | None:
        """Return what all its lines are rated for, W."""
        return None if self.rated_w is None else self.rated_w * len(self.power_w)


def idle_units(carrying: Mapping[str, UnitLoad]) -> dict[str, float]:
    """Return the units that carry under 2 % of their share while their peers carry, each with its watts.

    `carrying`: the units that by their own word carry, on inverter or bank.
    """
    known = {
        unit: (load.total_w, load.rating_w)
        for unit, load in carrying.items()
        if load.total_w is not None and load.rating_w
    }
    total_w = sum(watts for watts, _ in known.values() if watts is not None)
    rated_w = sum(rating for _, rating in known.values() if rating is not None)
    found = {}
    for unit, (watts, rating_w) in known.items():
        if watts is None or rating_w is None or total_w < SHARE_TO_SEE * rated_w:
            continue
        load = carrying[unit]
        rated_va = (load.rated_va or 0.0) * len(load.power_w)
        circulates = load.total_va is not None and load.total_va > IDLE_CURRENT * rated_va
        if watts < IDLE_SHARE * total_w * rating_w / rated_w and not circulates:
            found[unit] = watts
    return found


def still_carries(last: UnitLoad, peers: Sequence[UnitLoad]) -> bool:
    """Return whether what the peers carry now shows that a unit carries on as it last did.

    Had it left them, they would carry more by its part; half of that is the limit.
    """
    rated_w = last.rating_w
    known = [(p.total_w, p.rating_w) for p in peers]
    theirs_w = sum(w for w, _ in known if w is not None)
    rated_there_w = sum(r for _, r in known if r is not None)
    if last.total_w is None or not rated_w or not rated_there_w or any(None in pair for pair in known):
        return False
    before = last.total_w / rated_w
    return before >= STILL_TELLS and theirs_w / rated_there_w < before * (1.0 + 0.5 * rated_w / rated_there_w)


def filled(loads: Mapping[str, UnitLoad]) -> dict[str, UnitLoad]:
    """Return units that carry side by side, with what their cards leave out reckoned from the others where that can be.

    A line's watts lie where the unit's volt-amperes and the power factor beside it put them, else at the part of its
    peers, as far as its own other lines share with them.
    """
    return {unit: _filled(unit, loads) for unit, load in loads.items()}


def _filled(unit: str, loads: Mapping[str, UnitLoad]) -> UnitLoad:
    mine, peers = loads[unit], [load for name, load in loads.items() if name != unit]
    watts, volt_amperes = dict(mine.power_w), dict(mine.apparent_va)
    doubt_w, doubt_va = dict(mine.doubt_w), dict(mine.doubt_va)
    for line, w in mine.power_w.items():
        va = mine.apparent_va[line]
        if w is not None and va is not None:
            continue
        factor = _power_factor(line, mine, peers)
        if w is None and va is not None and factor is not None:
            watts[line], doubt_w[line] = va * factor, POWER_FACTORS_APART * va
        elif w is None:
            watts[line], doubt_w[line] = _by_peers(line, mine, peers)
        reckoned = watts[line]
        if va is None and reckoned is not None and factor is not None:
            volt_amperes[line] = reckoned / factor
            doubt_va[line] = (doubt_w.get(line, 0.0) + POWER_FACTORS_APART * reckoned) / factor
    return replace(mine, power_w=watts, apparent_va=volt_amperes, doubt_w=doubt_w, doubt_va=doubt_va)


def _power_factor(line: int, mine: UnitLoad, peers: Sequence[UnitLoad]) -> float | None:
    """Return the power factor of a board line as its peers have it, else that of the unit's other lines."""
    for pairs in (
        [(p.power_w.get(line), p.apparent_va.get(line)) for p in peers],
        [(mine.power_w[n], mine.apparent_va[n]) for n in mine.power_w],
    ):
        whole = [(w, va) for w, va in pairs if w is not None and va]
        if whole:
            return min(sum(w for w, _ in whole) / sum(va for _, va in whole), 1.0) or None
    return None


def _by_peers(line: int, mine: UnitLoad, peers: Sequence[UnitLoad]) -> tuple[float | None, float]:
    """Return a unit's part of a board line by what its peers carry of it, and how far off that may be, in W.

    What it carries on its other lines shows how it shares; where it tells of none, nothing shows that it carries.
    """
    part = _part(line, peers)
    if part is None or mine.rated_w is None:
        return None, 0.0
    own = [
        (watts, there * mine.rated_w)
        for other, watts in mine.power_w.items()
        if watts is not None and (there := _part(other, peers))
    ]
    if not own:
        return None, 0.0
    ratio = sum(w for w, _ in own) / sum(there for _, there in own)
    return ratio * part * mine.rated_w, LINES_APART * mine.rated_w


def _part(line: int, peers: Sequence[UnitLoad]) -> float | None:
    """Return what part of their rating the peers carry on a board line; None where none of them tells."""
    known = [(w, p.rated_w) for p in peers if (w := p.power_w.get(line)) is not None and p.rated_w]
    return sum(w for w, _ in known) / sum(r for _, r in known) if known else None


def left_out_reason(unit: str, load: UnitLoad) -> Reason:
    """Return which figures a card leaves out, and between which bounds its peers put them."""
    dark = tuple(line for line in load.left_out if load.power_w[line] is None)
    rest = []
    for line in load.left_out:
        w = load.power_w[line]
        if w is None:
            continue
        if line not in load.doubt_w:
            rest.append(reason(Code.NO_CURRENT_ON_LINE, line=line))
            continue
        low_w, high_w = max(w - load.doubt_w[line], 0.0), w + load.doubt_w[line]
        rest.append(reason(Code.NO_POWER_ON_LINE, line=line, low_w=low_w, high_w=high_w))
    return reason(Code.CARD_LEAVES_OUT, unit, dark=dark, rest=tuple(rest))


def idle_reason(
    unit: str, carries_w: float, peers: Mapping[str, float], hints: Sequence[Reason] = ()
) -> Reason:
    """Return that a unit is not seen carrying.

    `peers`: watts of those that carry. `hints`: what its card says that bears on it.
    """
    return reason(
        Code.NOT_SEEN_CARRYING,
        unit,
        carries_w=carries_w,
        peers=tuple(peers),
        beside_w=sum(peers.values()),
        hints=tuple(hints),
    )
