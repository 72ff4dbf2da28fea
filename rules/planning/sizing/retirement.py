"""May one of the units be retired, and which banks of those left then suffice.

Each unit is taken away in thought: what is left, with the spare units gone, is held against the year's peak of every
line, in W and in VA, now and grown. The units left then carry more each, so each bank is asked for the longest time
required, new and at the end of its life in the cold (IEEE 485's constant-power method), with the spares gone.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final

from rules.battery.model.runtime_curve import RuntimeCurve, curve_for
from rules.battery.model.temperature import COLDEST_UNKNOWN_C
from rules.planning.sizing.bank import StatedBank
from rules.plant.estate import Bank, Estate, Unit, in_place
from rules.system.load.peaks import LineHistory
from rules.values.code import Code
from rules.values.reason import Reason, reason
from rules.values.verdict import Basis

ENOUGH_ROOM: Final = 0.10
"""Part of what is left that must stay free at the peak now: the reserve that sizing asks for too."""


@dataclass(frozen=True, slots=True)
class BankThen:
    """A bank behind a unit that stays: how long it carries its part new, and old and cold, of `required_s`.

    `enough` None: nothing is known of its type, or no time is required.
    """

    bank: str
    asked_w: float
    holds_new_s: float | None
    holds_end_of_life_s: float | None
    required_s: float | None
    enough: bool | None


@dataclass(frozen=True, slots=True)
class Retired:
    """A system without one of its units. `room_*_fraction`: what is left free on the tightest line, now and grown."""

    unit: str
    may: bool
    tightest_line: int
    tightest_limit: str
    room_now_fraction: float
    room_then_fraction: float
    banks: tuple[BankThen, ...]
    because: tuple[Reason, ...]


@dataclass(frozen=True, slots=True)
class RemainingDemand:
    """What the units left are to carry: the lines' peaks, grown by `rise` in the years looked at, and for how long."""

    lines: Sequence[LineHistory]
    rise: float
    years: float
    required_s: float | None
    coldest_c: Mapping[str, float]


def retirements(estate: Estate, system: str, asked: RemainingDemand, today: date) -> tuple[Retired, ...]:
    """Return what the system would be without each of its units, those that may go first; none where none can.

    Where a rating is not known nothing is said.
    """
    units, spare = estate.units_of(system), estate.systems[system].spare_units
    if len(units) - 1 <= spare or any(in_place(u.fitted, today) is None for u in units):
        return ()
    found = [_without(estate, system, unit, asked, today) for unit in units]
    return tuple(sorted(found, key=lambda r: (not r.may, -r.room_now_fraction)))


def _without(estate: Estate, system: str, gone: Unit, asked: RemainingDemand, today: date) -> Retired:
    left = [u for u in estate.units_of(system) if u.id != gone.id]
    spare = estate.systems[system].spare_units
    rooms = [
        (1.0 - peak / limit if limit > 0.0 else -1.0, history.line, name, peak, limit)
        for history in asked.lines
        for name, peak, limit in (
            ("w", history.peak_w, _limit(left, history.line, spare, today, va=False)),
            ("va", history.peak_va, _limit(left, history.line, spare, today, va=True)),
        )
    ]
    room, line, limit_name, peak, limit = min(rooms)
    then = 1.0 - (1.0 - room) * asked.rise
    banks = tuple(
        _bank(bank, left, spare, asked, today)
        for bank in estate.banks_of_system(system)
        if _serves(bank, left)
    )
    fits = room >= ENOUGH_ROOM and then >= 0.0
    return Retired(
        unit=gone.id,
        may=fits and all(bank.enough is not False for bank in banks),
        tightest_line=line,
        tightest_limit=limit_name,
        room_now_fraction=room,
        room_then_fraction=then,
        banks=banks,
        because=(
            _load_reason(gone.id, line, limit_name, (peak, limit), (room, then), asked.years),
            *_bank_reasons(banks),
        ),
    )


def _serves(bank: Bank, left: Sequence[Unit]) -> bool:
    return bool({unit.id for unit in left}.intersection(bank.feeds))


def _limit(left: Sequence[Unit], line: int, spare: int, today: date, *, va: bool) -> float:
    """Return what the units left carry of a board line with the largest `spare` of them gone."""
    ratings = []
    for unit in left:
        fitted = in_place(unit.fitted, today)
        if fitted is not None and line in unit.line_order[: unit.output_lines]:
            ratings.append((fitted.rating_va if va else fitted.rating_w) / unit.output_lines)
    return sum(sorted(ratings, reverse=True)[spare:])


def _bank(bank: Bank, left: Sequence[Unit], spare: int, asked: RemainingDemand, today: date) -> BankThen:
    """Return how long a bank carries its units' part of the peak, with the spares gone and the load shared by rating."""
    rated = {u.id: f.rating_w for u in left if (f := in_place(u.fitted, today)) is not None}
    served = sum(rated[u] for u in bank.feeds if u in rated)
    carrying = sum(sorted(rated.values())[: len(rated) - spare]) if spare else sum(rated.values())
    part = min(served / max(carrying, served), 1.0) if served else 0.0
    watts = part * sum(line.peak_w for line in asked.lines)
    blocks, required_s = in_place(bank.fitted, today), asked.required_s
    if blocks is None:
        return BankThen(bank.id, watts, None, None, required_s, None)
    cold_c = asked.coldest_c.get(bank.id, COLDEST_UNKNOWN_C)
    new_s, old_s = StatedBank(blocks, bank.cells, bank.strings, cold_c).holds(watts, served)
    return BankThen(bank.id, watts, new_s, old_s, required_s, _enough(old_s, required_s, curve_for(blocks)))


def _enough(old_s: float | None, required_s: float | None, curve: RuntimeCurve) -> bool | None:
    """Return whether a bank suffices old and cold; None where no time is required or its type tells nothing."""
    if required_s is None or curve.basis is Basis.NONE:
        return None
    if (
        old_s is None
    ):  # asked more than its table's largest power: it holds for less than the table's shortest time
        return False if required_s >= curve.shortest_s else None
    return old_s >= required_s


def _load_reason(  # noqa: PLR0917 - the figures of one sentence
    unit: str,
    line: int,
    limit: str,
    side_by_side: tuple[float, float],
    rooms: tuple[float, float],
    years: float,
) -> Reason:
    (peak, most), (room, then) = side_by_side, rooms
    if room < 0.0:
        return reason(Code.RETIRE_TOO_MUCH, unit, line=line, limit=limit, peak=peak, most=most)
    if room < ENOUGH_ROOM:
        return reason(
            Code.RETIRE_LITTLE_LEFT, unit, line=line, limit=limit, peak=peak, most=most, room=room,
            wanted=ENOUGH_ROOM,
        )  # fmt: skip
    if then < 0.0:
        return reason(
            Code.RETIRE_TOO_LITTLE_LATER, unit, line=line, limit=limit, peak=peak, most=most, years=years
        )
    return reason(Code.RETIRE_FITS, unit, line=line, limit=limit, peak=peak, most=most, room=room)


def _bank_reasons(banks: Sequence[BankThen]) -> list[Reason]:
    def times(wanted: bool) -> tuple[Reason, ...]:
        return tuple(
            reason(Code.RETIRE_BANK, b.bank, old_s=b.holds_end_of_life_s) for b in banks if b.enough is wanted
        )

    need_s = next((b.required_s for b in banks if b.required_s is not None), 0.0)
    enough, short = times(True), times(False)
    said = [reason(Code.RETIRE_BANKS_ENOUGH, banks=enough, required_s=need_s)] if enough else []
    if short:
        said.append(reason(Code.RETIRE_BANKS_SHORT, banks=short, required_s=need_s))
    if unknown := tuple(b.bank for b in banks if b.enough is None):
        said.append(reason(Code.RETIRE_BANKS_UNKNOWN, banks=unknown))
    return said
