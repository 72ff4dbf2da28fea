"""The minute graph: what is asked hangs below the line, what the banks give falls to meet it from above.

Time runs right from the failure of the mains. Above the line the banks run from full to empty, and where a fan
lands is its 90 % interval; below hang the attempts to start the generator, the way to it, and engine to last unit
walked in. Whatever is not known is drawn without ink: a dotted outline and a loose hatch.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from api.pages.markup.elements import Element, el
from api.pages.markup.svg import (
    Axis,
    Label,
    dimension,
    labels,
    line,
    path,
    polygon,
    rect,
    stretched,
    svg,
    text,
)
from rules.phrasing.figures import minutes, spoken
from rules.plant.estate import Generator, Purpose, Unit
from rules.system.hold_up.judgement import BankEnds
from rules.system.state import HoldUp

TOP: float = 16.0


@dataclass(frozen=True, slots=True)
class Lost:
    """A hold-up with one unit lost and how to name it."""

    words: str
    hold_up: HoldUp


@dataclass(frozen=True, slots=True)
class Need:
    """What is asked: how long, for what, and the generator whose start fills it (None: time to close down)."""

    required_s: float
    purpose: Purpose
    generator: Generator | None = None
    work_s: float = 0.0


@dataclass(frozen=True)
class Picture:
    """What one minute graph shows. `proven` False: reckoned, but nothing is promised on it."""

    id: str
    name: str
    axis: Axis
    need: Need | None
    held: HoldUp
    lost: Sequence[Lost] = ()
    fan: tuple[BankEnds, ...] = ()
    end_of_life: Sequence[HoldUp] = ()
    other_needs: Sequence[tuple[str, float]] = ()
    claimed_s: float | None = None
    proven: bool = True
    big: bool = False

    @property
    def fan_px(self) -> float:
        """Return the height of the part above the line."""
        return 230.0 if self.big else 108.0


def work_s(generator: Generator, units: Sequence[Unit]) -> float:
    """Return seconds from a running engine to the last unit walked in."""
    walk = max((unit.accept_s + unit.hold_off_s + unit.walk_in_s for unit in units), default=0.0)
    return generator.start_s + generator.transfer_s + walk


def span_s(needs: Sequence[float], held: Sequence[HoldUp]) -> float:
    """Return how far the axis of some graphs must reach: to the ends of the fans, unless that hides the need."""
    need = max(needs, default=0.0)
    ends = [h.high_s for h in held if h.high_s is not None]
    reach = max([need * 1.3, *ends], default=0.0)
    return max(min(reach, need * 8.0) if need else reach, 300.0)


def graph(picture: Picture) -> Element:
    """Return the drawing, with its whole answer as its name."""
    axis, need, base = picture.axis, picture.need, TOP + picture.fan_px
    marks = _labels(picture)
    under, rows = labels(marks, base, base + 62.0)
    height = base + 62.0 + 18.0 * max(rows, 1) - 6.0
    parts: list[Element] = axis.ruling(TOP, height)
    if picture.held.low_s is None:
        parts += _unknown(picture, base)
    else:
        parts += _fans(picture, base)
    if need:
        x = axis.x(need.required_s)
        parts.append(line(x, 2, x, base, "needline"))
    for words, seconds in picture.other_needs:
        x = axis.x(seconds)
        parts.append(line(x, 2, x, base, "needline auto"))
        parts.append(text(x, 13, words, dx=6, class_="for-wide"))
    parts += [*under, line("0", base, "100%", base, "base")]
    if need:
        parts += _need(picture, need, base)
        parts += _margins(picture, need, base)
    return svg(height, parts, name=answer(picture), class_="plot")


def answer(picture: Picture) -> str:
    """Return all a graph says, as a sentence."""
    said = [
        f"{picture.name}: needs {spoken(picture.need.required_s, favours=False)}"
        if picture.need
        else picture.name
    ]
    said.append(f"all units hold {_range(picture.held)}")
    said += [f"{lost.words}, {_range(lost.hold_up)}" for lost in picture.lost]
    if not picture.proven:
        said.append("reckoned only, so the verdict is cannot tell")
    if picture.claimed_s is not None:
        said.append(f"the card claims {picture.claimed_s / 60:.0f} minutes, unproven")
    return "; ".join(said)


def _range(held: HoldUp) -> str:
    if held.low_s is None:
        return "not known"
    if held.high_s is None:
        return f"{minutes(held.low_s, favours=True)} minutes or more"
    return f"{minutes(held.low_s, favours=True)} to {minutes(held.high_s, favours=True)} minutes"


def _run(
    ends: Sequence[BankEnds], median_s: float, end_s: float, deep: float = 100.0
) -> list[tuple[float, float]]:
    """Return a run from full to empty that ends at `end_s`, its kinks where the median run has them."""
    kinks = [
        (e.median_s * end_s / median_s, (1.0 - e.left_fraction) * deep)
        for e in ends
        if 0 < e.median_s < median_s
    ]
    return [(0.0, 0.0), *sorted(kinks), (end_s, deep)]


def _fans(picture: Picture, base: float) -> list[Element]:
    axis, height = picture.axis, picture.fan_px
    held = picture.held
    faint = "" if picture.proven else " faint"
    areas: list[Element] = []
    lines: list[Element] = []
    parts: list[Element] = []
    for number_, lost in enumerate(picture.lost):
        low, mid, high = lost.hold_up.low_s, lost.hold_up.median_s, lost.hold_up.high_s
        if low is None or mid is None or high is None:
            continue
        clip = f"clip-{picture.id}-{number_}"
        corners = polygon([(0, 0), (low / axis.span_s, 1), (max(high, low + 1) / axis.span_s, 1)])
        parts.append(
            el("clipPath", el("polygon", points=corners), id=clip, clipPathUnits="objectBoundingBox")
        )
        parts.append(
            el(
                "rect",
                x="0",
                y=TOP,
                width="100%",
                height=height,
                fill="url(#h-ruled)",
                clip_path=f"url(#{clip})",
            )
        )
        lines.append(el("path", d=path([(0, 0), (mid, 100)]), class_="l-lost"))
    if held.low_s is not None and held.median_s is not None and held.high_s is not None:
        early = _run(picture.fan, held.median_s, held.low_s)
        late = _run(picture.fan, held.median_s, held.high_s)
        areas.append(el("polygon", points=polygon([*early, *reversed(late)]), class_="fan"))
        lines.insert(0, el("path", d=path(_run(picture.fan, held.median_s, held.median_s)), class_="l-all"))
    elif held.low_s is not None:  # asked more than its table prints: the least is known, how much more is not
        lines.append(el("path", d=path([(0, 0), (held.low_s, 100)]), class_="l-age"))
    old_ends = [old.low_s for old in picture.end_of_life if old.low_s is not None]
    lines += [el("path", d=path([(0, 0), (end, 100)]), class_="l-eol") for end in old_ends]
    drawn = stretched((axis.span_s, 100), [areas, lines], y=TOP, height=height)
    return [el("g", parts, drawn, class_=f"held{faint}"), *_kinks(picture, base)]


def _kinks(picture: Picture, base: float) -> list[Element]:
    parts: list[Element] = []
    for end in picture.fan[:1]:
        if picture.held.median_s is None or end.median_s > 0.97 * picture.held.median_s:
            continue
        x, y = picture.axis.x(end.median_s), TOP + picture.fan_px * (1.0 - end.left_fraction)
        words = f"{end.bank} ends first, at {minutes(end.median_s, favours=True)}"
        if picture.axis.fraction(end.median_s) > 0.5:  # under the run, on its left
            parts.append(text(x, min(y + 18.0, base - 6.0), words, dx=-16, end=True, class_="held for-wide"))
        else:  # over the run, on its right
            parts.append(text(x, max(y - 12.0, TOP + 12.0), words, dx=16, class_="held for-wide"))
    return parts


def _unknown(picture: Picture, base: float) -> list[Element]:
    x = picture.axis.x(picture.need.required_s) if picture.need else "0"
    late = picture.need is not None and picture.axis.fraction(picture.need.required_s) > 0.5
    middle = TOP + picture.fan_px / 2
    parts = [
        rect("0", TOP, "100%", picture.fan_px, "unknown", fill="h-loose"),
        text(x, middle + 6, "cannot tell", dx=-18 if late else 18, end=late, class_="cannot"),
    ]
    if picture.claimed_s is not None:
        claim, words = (
            picture.axis.x(picture.claimed_s),
            f"card claims {picture.claimed_s / 60:.0f}, unproven",
        )
        right = picture.axis.fraction(picture.claimed_s) > 0.5
        parts.append(el("circle", cx=claim, cy=base - 8, r="5", class_="claim"))
        parts.append(text(claim, base - 4, words, dx=-12 if right else 12, end=right, class_="soft"))
    return parts


def _need(picture: Picture, need: Need, base: float) -> list[Element]:
    """Return what hangs below the line: attempts, the way to the generator, the engine, or one span of waiting."""
    axis, end = picture.axis, need.required_s
    y, h = base + 5.0, 17.0
    if need.generator is None or need.purpose not in {
        Purpose.GENERATOR_START,
        Purpose.MANUAL_GENERATOR_START,
    }:
        return bracket(axis, (0.0, end), y, h, "wait")
    work_from = max(end - need.work_s, 0.0)
    blocks: list[Element] = []
    tries_end = 0.0
    for begin, until in attempts(need.generator):
        if begin < work_from:
            blocks.append(rect(axis.x(begin), y, axis.width(begin, min(until, work_from)), h, "try"))
            tries_end = until
    if need.purpose is Purpose.MANUAL_GENERATOR_START and work_from > tries_end:
        blocks += bracket(axis, (tries_end, work_from), y, h, "wait")
    return [*blocks, rect(axis.x(work_from), y, axis.width(work_from, end), h, "work", fill="h-work")]


def attempts(generator: Generator) -> list[tuple[float, float]]:
    """Return when each crank begins and ends, in seconds from the failure (NFPA 110, cyclic cranking)."""
    cycle = generator.crank_s + generator.rest_s
    begins = (generator.detect_s + n * cycle for n in range(max(generator.attempts, 0)))
    return [(begin, begin + generator.crank_s) for begin in begins]


def bracket(axis: Axis, ends_s: tuple[float, float], y: float, h: float, class_: str) -> list[Element]:
    """Return a span of waiting: an upper and a lower line."""
    a, b = (axis.x(end) for end in ends_s)
    return [line(a, y, b, y, class_), line(a, y + h, b, y + h, class_)]


def _margins(picture: Picture, need: Need, base: float) -> list[Element]:
    axis, end = picture.axis, need.required_s
    parts: list[Element] = []
    worst = min(
        (lost for lost in picture.lost if lost.hold_up.low_s is not None),
        key=lambda lost: lost.hold_up.low_s or 0.0,
        default=None,
    )
    if picture.held.low_s is None or not picture.proven:
        return parts
    lows = [picture.held.low_s] + ([worst.hold_up.low_s] if worst and worst.hold_up.low_s is not None else [])
    least = min(lows)
    if least < end:
        parts.append(rect(axis.x(least), base + 2, axis.width(least, end), 23, "notheld", fill="h-short"))
        parts.append(
            text(
                axis.x(end),
                base + 18,
                f"short {minutes(end - least, favours=False)}",
                dx=7,
                class_="dim short",
            )
        )
    elif worst and worst.hold_up.low_s is not None:
        low = worst.hold_up.low_s
        parts += dimension(axis, (end, low), base + 14, f"+{minutes(low - end, favours=True)}", "held one")
    if picture.held.low_s >= end:
        low = picture.held.low_s
        parts += dimension(axis, (end, low), base + 37, f"+{minutes(low - end, favours=True)}", "held")
    return parts


def _labels(picture: Picture) -> list[Label]:
    axis, marks = picture.axis, []
    if picture.need:
        needed = minutes(picture.need.required_s, favours=False)
        words = f"needs {needed}"
        if picture.need.purpose is Purpose.ORDERLY_SHUTDOWN:
            words += " to close down in order"
        marks.append(Label(axis.fraction(picture.need.required_s), words, needed, "need"))
    if not picture.proven:
        return marks
    known = [lost for lost in picture.lost if lost.hold_up.low_s is not None]
    for lost in dict.fromkeys([*known[:1], *known[-1:]]):
        if lost.hold_up.low_s is not None:
            short = picture.need is not None and lost.hold_up.low_s < picture.need.required_s
            mark = _end(axis, lost.hold_up.low_s, "short lost" if short else "held lost")
            if all(mark.words != other.words for other in marks):
                marks.append(mark)
    if picture.held.low_s is not None:
        short = picture.need is not None and picture.held.low_s < picture.need.required_s
        marks.append(_end(axis, picture.held.low_s, "short" if short else "held"))
    return marks


def _end(axis: Axis, seconds: float, class_: str) -> Label:
    words = minutes(seconds, favours=True)
    beyond = seconds > axis.span_s
    return Label(axis.fraction(seconds), f"{words} →" if beyond else words, words, class_)
