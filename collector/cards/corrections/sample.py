"""What the learners look at: one poll's raw values as numbers in the standard's scale, sentinels left out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Final

from collector.cards.mib.repeats import LINE_VOLTS_HIGH
from collector.cards.mib.upsmib import BY_NAME, LINES
from collector.cards.mib.wire_number import line_volts_factor
from collector.cards.mib.wire_values import WireState, number_in_text
from rules.plant.estate import CardReports, Estate, in_place

_SENTINELS: Final = frozenset({-1, 32767, -32768, 65535, 2147483647, -2147483648, 4294967295})
_BATTERY_SOURCE: Final = 5
_NORMAL_SOURCE: Final = 3
_BYPASS_SOURCE: Final = 4


@dataclass(frozen=True, slots=True)
class Declared:
    """What people stated about what stands behind a card; None where they did not.

    Ratings are of all units the card speaks for. `cells`: those behind the battery voltage it reports,
    in series. `split`: the bank is split about its mid-point. `overrides`: MIB object -> factor on the
    standard's scale, or None for "never believe this object"; they win over whatever is learnt.
    """

    rating_va: float | None = None
    rating_w: float | None = None
    output_lines: int | None = None
    cells: int | None = None
    split: bool = False
    overrides: Mapping[str, float | None] | None = None


NOTHING_DECLARED: Final = Declared()


def declared_for(
    estate: Estate, card_id: str, day: date, overrides: Mapping[str, float | None] | None = None
) -> Declared:
    """Return what the estate file says of the equipment behind a card on a day."""
    card = estate.cards[card_id]
    covered = card.covers[:1] if card.reports is CardReports.FIRST else card.covers
    fitted = [in_place(estate.units[unit].fitted, day) for unit in covered]
    banks = estate.banks_of(covered[0])
    known = [item for item in fitted if item is not None]
    complete = len(known) == len(fitted)
    cells = {bank.reported_cells for bank in banks}
    return Declared(
        rating_va=sum(item.rating_va for item in known) if complete else None,
        rating_w=sum(item.rating_w for item in known) if complete else None,
        output_lines=estate.units[covered[0]].output_lines,
        cells=cells.pop() if len(cells) == 1 else None,
        split=any(bank.halves == 2 for bank in banks),
        overrides=overrides,
    )


@dataclass(frozen=True, slots=True)
class Sample:
    """One poll: values by wire key, in the standard's unit, line volts brought into range by their size."""

    at: datetime
    values: Mapping[str, float]
    source: int | None
    seconds_on_battery: float | None
    by_clause: bool = False

    @property
    def on_battery(self) -> bool:
        """Return whether the card says that the bank carries the output."""
        return self.source == _BATTERY_SOURCE

    @property
    def on_mains(self) -> bool:
        """Return whether the card says that the output is fed normally."""
        return self.source == _NORMAL_SOURCE

    @property
    def bypassed(self) -> bool:
        """Return whether the card says that its bypass feeds the output."""
        return self.source == _BYPASS_SOURCE

    def get(self, name: str, line: int | None = None) -> float | None:
        """Return one value, None where it is absent or says nothing."""
        return self.values.get(name if line is None else f"{name}.{line}")

    def lines(self, name: str) -> dict[int, float]:
        """Return a column by line."""
        return {line: self.values[key] for line in LINES if (key := f"{name}.{line}") in self.values}

    def total(self, name: str) -> float | None:
        """Return the sum of a column, None where it is empty."""
        found = self.lines(name)
        return sum(found.values()) if found else None


# Wire key -> (scale, whether it is a line's volts, whether it may be negative)
_SCALED: Final = {
    key: (item.scale, item.unit == "V" and item.name != "upsBatteryVoltage", item.low is None)
    for item in BY_NAME.values()
    for key in ([f"{item.name}.{line}" for line in LINES] if item.column else [item.name])
}


_BY_CLAUSE: Final = {2: _NORMAL_SOURCE, 4: _BATTERY_SOURCE}


def sample_of(state: WireState, at: datetime, *, by_clause: bool = False) -> Sample:
    """Return one poll as the learners see it. `by_clause`: the source is numbered by the compliance clauses."""
    values: dict[str, float] = {}
    for key, came in state.values.items():
        known = _SCALED.get(key)
        if known is None:
            continue
        scale, volts, signed = known
        raw = came if isinstance(came, int) else number_in_text(came)
        if raw is None or raw in _SENTINELS:
            continue
        if signed and raw >= 2**31:
            raw -= 2**32  # a negative number sent without its sign
        if volts and raw > LINE_VOLTS_HIGH:
            scale = line_volts_factor(raw) or 1.0
        elif raw is not came and "." in str(came):
            scale = 1.0
        values[key] = raw * scale
    source, seconds = values.get("upsOutputSource"), values.get("upsSecondsOnBattery")
    chosen = None if source is None else int(source)
    if by_clause and chosen is not None:
        chosen = _BY_CLAUSE.get(chosen, chosen)
    return Sample(at, values, chosen, seconds, by_clause)
