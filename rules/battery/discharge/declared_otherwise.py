"""Whether other cells or strings than are declared would explain a discharge as well: then the interval holds both.

A number of cells that is a block too large or too small moves every voltage by some per cent; a string that does not
carry, or is declared and not there, halves what a bank gives. Neither can be told for sure from volts and amperes.
What looks as no product does, or gives as little or as much as such an error makes of a sound bank, is therefore judged
once more with what would explain it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Final

import numpy as np

from rules.battery.discharge.capacity_estimate import CapacityEstimate
from rules.battery.discharge.curve.voltage import early_offset_v
from rules.battery.discharge.record.clean_discharge import Battery
from rules.values.code import Code
from rules.values.reason import reason
from rules.values.verdict import Basis

ODD_V: Final = 0.03
"""V per cell under or over what products show early in a discharge: of 179 records on banks as they are declared four lie farther."""
_STRINGS_V: Final = 0.05
"""So far over them only a string more is worth a thought, since it takes half of what is said of the bank: none of the 179 is."""
_LITTLE, _MUCH = 0.7, 1.2
"""Health under which a string of several may lack, and over which one more may be there."""
_SOUND: Final = (0.4, 1.15)
"""Health that another declaration has to give, to be an explanation."""


def held_beside_others(
    found: CapacityEstimate, battery: Battery, judge: Callable[[Battery], CapacityEstimate]
) -> CapacityEstimate:
    """Return a judgement whose interval holds what other cells or strings would make of it, and names them."""
    if found.cannot_tell is not None or found.course is None or found.table_basis is not Basis.TABLE:
        return found
    offset = early_offset_v(found.course) or 0.0
    others = []
    for other in _others(found, offset, battery):
        one = judge(other)
        if (
            one.cannot_tell is None
            and one.course is not None
            and _SOUND[0] < (one.capacity_fraction or 0.0) < _SOUND[1]
        ):
            there = early_offset_v(one.course) or 0.0
            if abs(there) < max(ODD_V, 0.5 * abs(offset)):
                others.append((other, one))
    if not others:
        return found
    said = [
        reason(
            Code.LOG_DECLARED_OTHERWISE, cells=battery.cells, strings=battery.strings,
            fit_cells=other.cells, fit_strings=other.strings, fraction=one.capacity_fraction or 0.0,
        )
        for other, one in others
    ]  # fmt: skip
    judged = [found, *(one for _, one in others)]
    ends = [one.end_of_discharge_low_s for one in judged if one.end_of_discharge_low_s is not None]
    return replace(
        found,
        capacity_fraction_low=min(one.capacity_fraction_low or 0.0 for one in judged),
        capacity_fraction_high=max(one.capacity_fraction_high or 0.0 for one in judged),
        end_of_discharge_low_s=min(ends) if ends else None,
        because=(*found.because, *said),
        likelihood=(),
    )


def _others(found: CapacityEstimate, offset: float, battery: Battery) -> Iterator[Battery]:
    """Return the banks that might stand there in place of the one that is declared."""
    health, course = found.capacity_fraction or 0.0, found.course
    if course is not None and abs(offset) > ODD_V:
        volts = float(np.median(course.voltage_v))
        factor = volts / (volts - offset)
        read = None if battery.reported_cells is None else round(battery.reported_cells * factor)
        yield replace(battery, cells=round(battery.cells * factor), reported_cells=read)
    if health < _LITTLE:
        for strings in range(1, battery.strings):
            yield replace(battery, strings=strings)
    if health > _MUCH or offset > _STRINGS_V:
        for strings in sorted({battery.strings + 1, 2 * battery.strings}):
            yield replace(battery, strings=strings)
