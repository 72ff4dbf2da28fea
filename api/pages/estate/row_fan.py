"""Question 1 as small as a row: what the banks give falls to the line, what is needed is the bar under it.

Points stand on a field of 300 by 28 that is stretched over the cell, so a system takes a few hundred bytes. A run that
outlasts the axis leaves the field at the right.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from api.pages.markup.elements import Element, el, number
from collector.read_model.rows.system_row import Stands, SystemRow
from rules.phrasing.figures import minutes
from rules.plant.estate import Purpose
from rules.system.state import Against

WIDE: Final = 300
FAR: Final = 100 * WIDE
"""No run lands farther out than this, however long the banks hold."""
BASE: Final = 20
HIGH: Final = 28
STEPS_MIN: Final = (6, 10, 15, 20, 30, 45, 60, 90, 120, 180, 240, 360, 480, 720, 1440)
DRAWN_OF_NEED: Final = 2.5
"""The axis reaches this far beyond what most systems need: the banks of a healthy one land there or leave the field."""
MOST: Final = 0.9


@dataclass(frozen=True, slots=True)
class RowAxis:
    """The axis that the rows share, in whole minutes, and what most of them need their time for."""

    span_min: int
    purpose: Purpose | None = None

    def x(self, seconds: float) -> int:
        """Return the place of a moment on the field."""
        return min(round(seconds * WIDE / (self.span_min * 60)), FAR)

    @property
    def letters(self) -> tuple[tuple[float, str], ...]:
        """Return the figures under the axis, each with its place from 0 to 1."""
        parts = 3 if self.span_min % 3 == 0 else 2
        hours = self.span_min >= 180 and self.span_min % (60 * parts) == 0
        per, unit = (60, " h") if hours else (1, " min")
        return tuple(
            (n / parts, f"{self.span_min * n // parts // per}{unit if n == parts else ''}")
            for n in range(parts + 1)
        )


def row_axis(rows: Sequence[SystemRow]) -> RowAxis:
    """Return an axis on which what nearly all systems need is well within sight."""
    needs = sorted(row.needed_s for row in rows if row.needed_s is not None)
    if not needs:
        return RowAxis(30)
    most = needs[int(MOST * (len(needs) - 1))] * DRAWN_OF_NEED / 60.0
    purposes = Counter(row.purpose for row in rows if row.purpose is not None).most_common(1)
    return RowAxis(
        next((step for step in STEPS_MIN if step >= most), STEPS_MIN[-1]),
        purposes[0][0] if purposes else None,
    )


def row_fan(row: SystemRow, axis: RowAxis, *, named: bool = True) -> Element:
    """Return the drawing of one system; `named` by its whole answer where its figures do not stand beside it."""
    strokes: list[Element] = []
    need = None if row.needed_s is None else axis.x(row.needed_s)
    if row.held is None:
        strokes.append(el("path", class_="u", d=f"M0 0H{WIDE}V{BASE}H0Z"))
        if row.claimed_s is not None:
            strokes.append(el("path", class_="c", d=f"M{min(axis.x(row.claimed_s), WIDE - 2)} {BASE}h0"))
    else:
        low = axis.x(row.held.low_s)
        high = low if row.held.high_s is None else axis.x(row.held.high_s)
        if high > low and low < WIDE:
            corner = "" if high <= WIDE else f"V{BASE}"
            strokes.append(el("path", class_="w", d=f"M0 0L{_end(high)}{corner}H{low}Z"))
        faint = "a" if row.stands is not Stands.UNKNOWN else "a f"
        strokes.append(el("path", class_=faint, d=f"M0 0L{_end(low)}"))
        if row.held_lost is not None:
            strokes.append(el("path", class_="l", d=f"M0 0L{_end(axis.x(row.held_lost.low_s))}"))
    base = f"M0 {BASE}H{WIDE}"
    if need is None:
        strokes.append(el("path", class_="b", d=base))
    else:
        end = min(need, WIDE)
        upright = "" if need > WIDE else f"M{need} 0V{HIGH}"
        # the bar, the line and the upright are one path: a row of a hundred weighs what its elements do
        strokes.append(el("path", class_="n" if row.held else "n o", d=f"M0 22H{end}V26H0Z{base}{upright}"))
        missing = _missing(row)
        if missing is not None and axis.x(missing) < end:
            strokes.append(el("path", class_="s", d=f"M{axis.x(missing)} 21H{end}V27H{axis.x(missing)}Z"))
    return el(
        "svg",
        strokes,
        class_="mf",
        viewBox=f"0 0 {WIDE} {HIGH}",
        preserveAspectRatio="none",
        role="img" if named else None,
        aria_label=fan_words(row) if named else None,
        aria_hidden=None if named else "true",
    )


def _end(x: int) -> str:
    """Return where a run from full that lands at `x` ends on the field: on the line, or at the field's right edge."""
    return f"{x} {BASE}" if x <= WIDE else f"{WIDE} {number(BASE * WIDE / x)}"


def _missing(row: SystemRow) -> float | None:
    """Return from when on what is needed is not held, s; None where it is."""
    if row.stands is not Stands.SHORT or row.margin_s is None or row.needed_s is None or row.margin_s >= 0:
        return None
    return row.needed_s + row.margin_s


def fan_words(row: SystemRow) -> str:
    """Return the drawing's answer in minutes: "needs 9.5, holds 17.1, 7.8 with one lost"; what nobody knows is said to be unknown."""
    said = [] if row.needed_s is None else [f"needs {minutes(row.needed_s, favours=False)}"]
    if row.held is None:
        said.append("what it holds is not known")
        if row.claimed_s is not None:
            said.append(f"card claims {row.claimed_s / 60.0:.0f}")
    else:
        said.append(f"holds {minutes(row.held.low_s, favours=True)}")
        if row.held_lost is not None:
            said.append(f"{minutes(row.held_lost.low_s, favours=True)} with one lost")
    return ", ".join(said)


def against_all(row: SystemRow) -> bool:
    """Return whether the margin is that of all units together, though there are several."""
    return row.units > 1 and row.against is Against.NOW
