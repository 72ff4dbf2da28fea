"""A judged discharge as a picture: a few lines in a terminal, or an SVG file.

Measured voltage, the voltage expected from here at the present power, the end voltage, and the interval in
which it will be reached.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from html import escape
from typing import Final

import numpy as np

from rules.battery.discharge.capacity_estimate import CapacityEstimate
from rules.battery.discharge.discharge_end import expected_voltage
from rules.battery.discharge.record.clean_discharge import Battery
from rules.battery.model.runtime_curve import Floats

_WIDTH: Final = 64
_HEIGHT: Final = 14
_SVG_WIDTH, _SVG_HEIGHT = 760, 420
_LEFT, _RIGHT, _TOP, _BOTTOM = 72, 24, 48, 56


@dataclass(frozen=True)
class Drawing:
    """What both pictures show: times in s, volts of the bank."""

    t_s: Floats
    volts: Floats
    ahead_s: Floats
    ahead_volts: Floats
    end_v: float
    end_s: float
    end_low_s: float
    end_high_s: float

    @property
    def span_s(self) -> float:
        """Return the length of the time axis."""
        return max(float(self.t_s[-1]), self.end_high_s) * 1.03

    @property
    def levels_v(self) -> tuple[float, float]:
        """Return the lowest and highest voltage shown."""
        top, low = float(np.max(self.volts)), min(self.end_v, float(np.min(self.volts)))
        margin = 0.06 * max(top - low, 1e-3)
        return low - margin, top + margin


def drawing_of(found: CapacityEstimate, battery: Battery) -> Drawing | None:
    """Return the drawing of a judgement, None where it could not tell."""
    discharge = found.discharge
    ends = (found.end_of_discharge_s, found.end_of_discharge_low_s, found.end_of_discharge_high_s)
    if discharge is None or ends[0] is None or ends[1] is None or ends[2] is None:
        return None
    cells = battery.cells_read
    ahead_s, ahead_v = expected_voltage(found)
    return Drawing(
        discharge.t_s,
        discharge.voltage_v * cells,
        ahead_s,
        ahead_v * cells,
        battery.end_voltage_per_cell_v * cells,
        ends[0],
        ends[1],
        ends[2],
    )


def clock(seconds: float) -> str:
    """Return seconds as minutes, or hours and minutes, for a label."""
    minutes = round(seconds / 60.0)
    return f"{minutes} min" if minutes < 120 else f"{minutes // 60} h {minutes % 60:02d}"


def text_plot(drawing: Drawing, *, plain: bool = False) -> str:
    """Return a plot for a terminal; `plain` keeps to ASCII."""
    measured, ahead, level, between = ("*", ".", "-", "=") if plain else ("●", "·", "─", "━")
    low_v, high_v = drawing.levels_v
    grid = [[" "] * _WIDTH for _ in range(_HEIGHT)]

    def column(t: float) -> int:
        return int(np.clip(round(t / drawing.span_s * (_WIDTH - 1)), 0, _WIDTH - 1))

    def row(v: float) -> int:
        return int(np.clip(round((high_v - v) / (high_v - low_v) * (_HEIGHT - 1)), 0, _HEIGHT - 1))

    end_row = row(drawing.end_v)
    grid[end_row] = [level] * _WIDTH
    for c in range(column(drawing.end_low_s), column(drawing.end_high_s) + 1):
        grid[end_row][c] = between
    for t, v in zip(drawing.ahead_s, drawing.ahead_volts, strict=True):
        if grid[row(float(v))][column(float(t))] in {" ", level}:
            grid[row(float(v))][column(float(t))] = ahead
    for t, v in zip(drawing.t_s, drawing.volts, strict=True):
        grid[row(float(v))][column(float(t))] = measured
    labels = {0: high_v, end_row: drawing.end_v}
    lines = [
        (f"{labels[i]:7.1f} V " if i in labels else " " * 10) + "".join(line).rstrip()
        for i, line in enumerate(grid)
    ]
    axis = " " * 10 + "0" + clock(drawing.span_s).rjust(_WIDTH - 1)
    legend = f"{' ' * 10}{measured} measured  {ahead} expected  {between} end, 5 to 95 %"
    return "\n".join([*lines, axis, legend])


def svg_plot(drawing: Drawing, title: str) -> str:
    """Return the plot as an SVG document."""
    low_v, high_v = drawing.levels_v
    width, height = _SVG_WIDTH - _LEFT - _RIGHT, _SVG_HEIGHT - _TOP - _BOTTOM

    def x(t: float) -> float:
        return _LEFT + width * t / drawing.span_s

    def y(v: float) -> float:
        return _TOP + height * (high_v - v) / (high_v - low_v)

    def path(t: Floats, v: Floats) -> str:
        return " ".join(f"{x(float(a)):.1f},{y(float(b)):.1f}" for a, b in zip(t, v, strict=True))

    thin = max(1, len(drawing.t_s) // 800)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_SVG_WIDTH} {_SVG_HEIGHT}" role="img"'
        f' font-family="sans-serif" font-size="13" fill="#222">',
        f"<title>{escape(title)}</title>",
        f'<rect width="{_SVG_WIDTH}" height="{_SVG_HEIGHT}" fill="#fff"/>',
        f'<text x="{_LEFT}" y="26" font-size="15">{escape(title)}</text>',
        f'<rect x="{x(drawing.end_low_s):.1f}" y="{_TOP}" width="'
        f'{max(x(drawing.end_high_s) - x(drawing.end_low_s), 1.0):.1f}" height="{height}" fill="#c96f1a"'
        ' fill-opacity="0.15"/>',
        f'<line x1="{x(drawing.end_s):.1f}" x2="{x(drawing.end_s):.1f}" y1="{_TOP}" y2="{_TOP + height}"'
        ' stroke="#c96f1a"/>',
        f'<line x1="{_LEFT}" x2="{_LEFT + width}" y1="{y(drawing.end_v):.1f}" y2="{y(drawing.end_v):.1f}"'
        ' stroke="#222" stroke-dasharray="6 4"/>',
        f'<text x="{_LEFT + 4}" y="{y(drawing.end_v) - 6:.1f}">end voltage {drawing.end_v:.1f} V</text>',
        f'<polyline points="{path(drawing.t_s[::thin], drawing.volts[::thin])}" fill="none" stroke="#145a8c"'
        ' stroke-width="2"/>',
    ]
    if len(drawing.ahead_s):
        parts.append(
            f'<polyline points="{path(drawing.ahead_s, drawing.ahead_volts)}" fill="none" stroke="#145a8c"'
            ' stroke-width="2" stroke-dasharray="2 5"/>'
        )
    parts += _axes(drawing, x, y)
    return "\n".join([*parts, "</svg>", ""])


def _axes(drawing: Drawing, x: Callable[[float], float], y: Callable[[float], float]) -> list[str]:
    low_v, high_v = drawing.levels_v
    bottom, right = _SVG_HEIGHT - _BOTTOM, _SVG_WIDTH - _RIGHT
    parts = [
        f'<path d="M{_LEFT} {_TOP}V{bottom}H{right}" fill="none" stroke="#222"/>',
        f'<text x="{(_LEFT + right) / 2:.0f}" y="{_SVG_HEIGHT - 12}" text-anchor="middle">time since the'
        " discharge began</text>",
    ]
    parts += [
        f'<text x="{x(t):.1f}" y="{bottom + 20}" text-anchor="middle">{clock(t)}</text>'
        for t in np.linspace(0.0, drawing.span_s, 6).tolist()
    ]
    parts += [
        f'<text x="{_LEFT - 8}" y="{y(v) + 4:.1f}" text-anchor="end">{v:.0f} V</text>'
        for v in np.linspace(low_v, high_v, 6).tolist()
    ]
    return parts
