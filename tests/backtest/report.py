"""The backtest's table and plot."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

import numpy as np

from tests.backtest.lives import MARGIN_DAYS, Walk, thrown_away, warned_in_time
from tests.backtest.worlds import LEAD_DAYS, YEAR

_TITLE: Final = (
    "Each life, from the day from which the advice to order stood (left end) to the day the requirement is lost "
    "(right end); red: less than 90 days"
)
_STRATA: Final[tuple[tuple[str, Callable[[Walk], bool]], ...]] = (
    ("all with discharges", lambda w: w.stratum != "0 a year"),
    ("no discharge a year: unproven, no dates", lambda w: w.stratum == "0 a year"),
    ("1 a year", lambda w: w.stratum == "1 a year"),
    ("3 a year", lambda w: w.stratum == "3 a year"),
    ("one deep a year, with 0, 1 or 3", lambda w: "deep" in w.stratum),
    ("load grows", lambda w: w.grows),
    ("load shrinks", lambda w: not w.grows),
    ("early wear-out", lambda w: w.early),
    ("replaced bank", lambda w: w.replaced),
    ("card that lies", lambda w: w.lying_card),
)


def _wear_out(walks: Sequence[Walk]) -> list[Walk]:
    return [w for w in walks if w.abrupt_day is None and w.end_day is not None and w.end_day > MARGIN_DAYS]


def _share(values: Sequence[bool]) -> str:
    return "" if not values else f"{100.0 * float(np.mean(values)):.1f} %"


def table(walks: Sequence[Walk], *, seed: int, took_s: float) -> str:
    """Return the report as Markdown."""
    lines = [
        "# Backtest of the replacement dates",
        "",
        f"{len(walks)} lives, seed {seed}, {sum(w.judgements for w in walks)} judgements, {took_s:.0f} s.",
        "What a partial discharge tells is drawn with the error figures of `worlds.ESTIMATOR_POINTS`.",
        "",
        "| stratum | wear-out ends | warned 90 days before | life thrown away, mean (median) | false 'over' per bank-decade |",
        "| --- | --- | --- | --- | --- |",
    ]
    lines += [_row(name, [w for w in walks if chosen(w)]) for name, chosen in _STRATA]
    lines += ["", "| 80 % date | at 50 % of life | at 70 % | at 85 % |", "| --- | --- | --- | --- |"]
    lines += [_errors(name, [w for w in walks if chosen(w)]) for name, chosen in _STRATA[:5]]
    lines += ["", *_cover(walks), "", *_beside(walks), "", *_abrupt(walks)]
    return "\n".join(lines) + "\n"


def _cover(walks: Sequence[Walk]) -> list[str]:
    lines = [
        "| true end against the 90 % interval of the day | before it | within | after it |",
        "| --- | --- | --- | --- |",
    ]
    for name, chosen in _STRATA[:5]:
        worn = [w for w in _wear_out(walks) if chosen(w)]
        count = sum(w.judgements for w in worn)
        if count:
            before, after = (
                sum(w.ended_before for w in worn) / count,
                sum(w.ended_after for w in worn) / count,
            )
            cells = " | ".join(f"{100.0 * share:.1f} %" for share in (before, 1.0 - before - after, after))
            lines.append(f"| {name}, {count} judgements | {cells} |")
    return lines


def _row(name: str, walks: Sequence[Walk]) -> str:
    worn = _wear_out(walks)
    thrown = [t for t in (thrown_away(w) for w in worn) if t is not None]
    decades = sum(w.years for w in walks) / 10.0
    lost = f"{100 * np.mean(thrown):.0f} % ({100 * np.median(thrown):.0f} %)" if thrown else ""
    false = sum(w.false_alarms for w in walks) / decades if decades else 0.0
    return f"| {name} | {len(worn)} | {_share([warned_in_time(w) for w in worn])} | {lost} | {false:.2f} |"


def _errors(name: str, walks: Sequence[Walk]) -> str:
    cells = []
    for percent in (50, 70, 85):
        known = [w for w in walks if percent in w.errors_80 and w.life_80_years]
        if not known:
            cells.append("")
            continue
        years = np.array([abs(w.errors_80[percent]) for w in known])
        shares = np.array([abs(w.errors_80[percent]) / (w.life_80_years or 1.0) for w in known])
        cells.append(f"{np.median(years):.2f} y ({100 * np.median(shares):.0f} % of life)")
    return f"| {name} | {' | '.join(cells)} |"


def _beside(walks: Sequence[Walk]) -> list[str]:
    worn = [w for w in _wear_out(walks) if w.stratum != "0 a year"]
    ours = float(np.mean([warned_in_time(w) for w in worn]))
    our_loss = float(np.mean([t for t in (thrown_away(w) for w in worn) if t is not None]))
    share, fixed_loss = fixed_age(worn, ours)
    flagged = float(np.mean([w.card_flag_day <= (w.end_day or 0.0) - MARGIN_DAYS for w in worn]))
    card_loss = float(np.mean([_loss(w, w.card_flag_day) for w in worn]))
    return [
        "| rule | warned 90 days before | life thrown away, mean |",
        "| --- | --- | --- |",
        f"| these dates | {100 * ours:.1f} % | {100 * our_loss:.0f} % |",
        f"| fixed age, {share:.2f} of design life (tuned to the same warned share) | {100 * ours:.1f} % | {100 * fixed_loss:.0f} % |",
        f"| the card's own flag | {100 * flagged:.1f} % | {100 * card_loss:.0f} % |",
    ]


def _loss(walked: Walk, order_day: float) -> float:
    end = walked.end_day or 1.0
    return max(end - (order_day + LEAD_DAYS), 0.0) / end


def fixed_age(worn: Sequence[Walk], warned: float) -> tuple[float, float]:
    """Return the share of design life at which ordering by the calendar warns as often, and what it throws away."""
    latest = np.sort([((w.end_day or 0.0) - MARGIN_DAYS) / (w.design_years * YEAR) for w in worn])
    share = float(latest[min(int((1.0 - warned) * len(latest)), len(latest) - 1)])
    return share, float(np.mean([_loss(w, share * w.design_years * YEAR) for w in worn]))


def _abrupt(walks: Sequence[Walk]) -> list[str]:
    found = [w for w in walks if w.abrupt_day is not None]
    lines = [
        "| abrupt failures, by discharges a year | count | days until called 'not shown to carry', median (worst) |"
    ]
    lines.append("| --- | --- | --- |")
    for name in sorted({w.stratum for w in found}):
        days = [w.called_after_days for w in found if w.stratum == name and w.called_after_days is not None]
        middle = f"{np.median(days):.0f} ({max(days):.0f})" if days else "not called"
        lines.append(f"| {name} | {sum(w.stratum == name for w in found)} | {middle} |")
    return lines


def plot(walks: Sequence[Walk]) -> str:
    """Return an SVG: each wear-out life a line from its warning to the loss of its requirement, by end."""
    worn = sorted(_wear_out(walks), key=lambda w: w.end_day or 0.0)
    colours = {"0": "#8a8f98", "1": "#3b6ea5", "3": "#2a7f4f"}
    width, row, left = 900.0, 3.0, 60.0
    height = row * len(worn) + 70.0
    longest = max((w.end_day or 0.0 for w in worn), default=1.0) / YEAR
    scale = (width - left - 20.0) / longest
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:.0f}" height="{height:.0f}" font-family="sans-serif" font-size="11">',
        f'<rect width="{width:.0f}" height="{height:.0f}" fill="white"/>',
        f'<text x="{left}" y="16">{_TITLE}</text>',
    ]
    for year in range(0, int(longest) + 1, 2):
        x = left + year * scale
        parts.append(f'<line x1="{x:.1f}" y1="28" x2="{x:.1f}" y2="{height - 30:.0f}" stroke="#e4e6ea"/>')
        parts.append(f'<text x="{x:.1f}" y="{height - 14:.0f}" text-anchor="middle">{year} y</text>')
    for k, w in enumerate(worn):
        y = 32.0 + k * row
        end = left + (w.end_day or 0.0) / YEAR * scale
        start = left + (w.warned_day if w.warned_day is not None else w.end_day or 0.0) / YEAR * scale
        colour = colours[w.stratum[0]] if warned_in_time(w) else "#c0392b"
        parts.append(
            f'<line x1="{start:.1f}" y1="{y:.1f}" x2="{max(end, start + 1.5):.1f}" y2="{y:.1f}" stroke="{colour}" stroke-width="2"/>'
        )
    for k, (name, colour) in enumerate(
        (("no discharge", "#8a8f98"), ("1 a year", "#3b6ea5"), ("3 a year", "#2a7f4f"))
    ):
        x = left + 520.0 + 100.0 * k
        parts.append(f'<rect x="{x}" y="34" width="12" height="6" fill="{colour}"/>')
        parts.append(f'<text x="{x + 16}" y="41">{name}</text>')
    return "\n".join([*parts, "</svg>"]) + "\n"
