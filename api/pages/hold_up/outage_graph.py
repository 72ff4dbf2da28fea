"""The minute graph while it happens: what was read so far, what is expected from now on, and the last moment to act.

The trace is heavy up to the present and the fan opens after it; failed attempts to start the generator are struck
through, and the dimension is the time left. What is carried forward without readings is dotted.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from api.pages.hold_up.last_call import act_words
from api.pages.hold_up.minute_graph import TOP, bracket
from api.pages.markup.elements import Element, el
from api.pages.markup.format import iso
from api.pages.markup.svg import (
    WIDE_PX,
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
from collector.read_model.sheet import ShownOutage
from collector.read_model.wall_clock import WallClock
from rules.phrasing.figures import age, stopwatch
from rules.system.state import OnBattery


@dataclass(frozen=True)
class LivePicture:
    """A system on its banks at a moment: what was read so far, what is expected from now on."""

    id: str
    name: str
    on: OnBattery
    outage: ShownOutage
    clock: WallClock
    now: datetime
    work_s: float = 0.0

    def after(self, moment: datetime) -> float:
        """Return seconds from the failure to a moment."""
        return (moment - self.on.since).total_seconds()

    @property
    def axis(self) -> Axis:
        """Return an axis that reaches past the latest end, or past the present where no end is known."""
        ends = [m for m in (self.on.ends_latest, self.on.ends_earliest) if m]
        if self.outage.shedding and self.outage.shedding.ends_earliest:
            ends.append(self.outage.shedding.ends_earliest)
        reach = max([self.after(m) for m in ends], default=self.after(self.now) * 1.5)
        return Axis.over(max(reach * 1.08, self.after(self.now) * 1.2, 300.0))


def live_graph(picture: LivePicture) -> Element:
    """Return the drawing of an outage as it goes: the trace heavy up to now, the fan after it, the last moment."""
    axis, on, base, height = picture.axis, picture.on, TOP + 230.0, 230.0
    now_s = max(picture.after(picture.now), 0.0)
    earliest = picture.after(on.ends_earliest) if on.ends_earliest else None
    latest = picture.after(on.ends_latest) if on.ends_latest else earliest
    last = picture.after(on.act_before) if on.act_before else None
    marks: list[Label] = []
    if earliest is not None and on.ends_earliest:
        ends = picture.clock.second(on.ends_earliest)
        marks.append(Label(axis.fraction(earliest), f"ends {ends} at the earliest", ends, "short"))
    under, rows = labels(marks, base, base + 62.0)
    parts: list[Element] = axis.ruling(TOP, base + 58.0 + 18.0 * max(rows, 1))
    parts += _live_curves(picture, now_s, earliest, latest, height)
    parts.append(line(axis.x(now_s), 2, axis.x(now_s), base + 40, "nowline"))
    right = axis.fraction(now_s) > 0.75
    parts.append(
        text(
            axis.x(now_s),
            13,
            "now, ",
            el("tspan", age(now_s), data_since=iso(picture.on.since)),
            dx=-7 if right else 7,
            end=right,
            class_="held strong",
        )
    )
    parts += [*under, line("0", base, "100%", base, "base")]
    parts += _live_need(picture, now_s, earliest, last, base)
    return svg(base + 58.0 + 18.0 * max(rows, 1), parts, name=live_answer(picture), class_="plot")


def live_answer(picture: LivePicture) -> str:
    """Return all the live graph says, as a sentence."""
    on, clock = picture.on, picture.clock
    said = [f"{picture.name}: {stopwatch(picture.after(picture.now))} on its banks"]
    if on.ends_earliest and on.ends_latest:
        said.append(f"ends between {clock.second(on.ends_earliest)} and {clock.second(on.ends_latest)}")
    else:
        said.append("when it ends cannot be told")
    if on.act_before:
        must = "somebody must set out for the generator" if on.set_out_before else "the generator must run"
        said.append(f"{must} before {clock.second(on.act_before)}")
    return "; ".join(said)


def _live_curves(
    picture: LivePicture, now_s: float, earliest: float | None, latest: float | None, height: float
) -> list[Element]:
    axis, outage = picture.axis, picture.outage
    trace = [
        (picture.after(at), (1.0 - left) * 100.0) for at, left in outage.trace if picture.after(at) >= -1.0
    ]
    left_now = outage.left_now if outage.left_now is not None else _left(now_s, earliest, latest)
    if left_now is None or earliest is None or latest is None:
        box = rect(axis.x(now_s), TOP, axis.width(now_s, axis.span_s), height, "unknown", fill="h-loose")
        words = text(axis.x(now_s), TOP + height / 2, "cannot tell", dx=18, class_="cannot")
        return [box, words, *_trace(axis, trace, height)]
    here = (now_s, (1.0 - left_now) * 100.0)
    middle = (earliest + latest) / 2
    drawn: list[Element] = [
        el(
            "polygon", points=polygon([here, (earliest, 100), (max(latest, earliest + 1), 100)]), class_="fan"
        ),
        el("path", d=path([here, (middle, 100)]), class_="l-lost thin"),
    ]
    if outage.shedding and outage.shedding.ends_earliest:
        drawn.append(
            el("path", d=path([here, (picture.after(outage.shedding.ends_earliest), 100)]), class_="l-eol")
        )
    if trace:
        read = picture.on.reckoned_since
        upto = [point for point in trace if read is None or point[0] <= picture.after(read)]
        drawn.append(
            el("path", d=path([*upto, here] if read is None else upto or trace[:1]), class_="l-read")
        )
        if read is not None and upto:
            drawn.append(el("path", d=path([upto[-1], here]), class_="l-reckoned"))
    else:
        drawn.append(el("path", d=path([(0.0, 0.0), here]), class_="l-reckoned"))
    return [stretched((axis.span_s, 100), drawn, y=TOP, height=height, overflow=True)]


def _trace(axis: Axis, trace: list[tuple[float, float]], height: float) -> list[Element]:
    if len(trace) < 2:
        return []
    return [stretched((axis.span_s, 100), el("path", d=path(trace), class_="l-read"), y=TOP, height=height)]


def _left(now_s: float, earliest: float | None, latest: float | None) -> float | None:
    """Return the share left where no judgement gives it: on the straight line to the middle of the ends."""
    if earliest is None or latest is None:
        return None
    end = (earliest + latest) / 2
    return max(1.0 - now_s / end, 0.0) if end > 0 else None


def _live_need(
    picture: LivePicture, now_s: float, earliest: float | None, last: float | None, base: float
) -> list[Element]:
    axis, parts, y, h = picture.axis, [], base + 5.0, 17.0
    done = 0.0
    for start in picture.outage.starts:
        begin = picture.after(start.at)
        until = picture.after(start.until) if start.until else now_s
        done = max(done, until)
        failed = start.worked is False
        x, width = axis.x(begin), axis.width(begin, until)
        parts.append(rect(x, y, width, h, "try failed" if failed else "try"))
        if failed:
            parts.append(line(x, y + h, axis.x(until), y, "strike"))
    if last is not None and earliest is not None:
        if last > now_s:
            parts += bracket(axis, (done, now_s), y, h, "wait")
            parts += bracket(axis, (now_s, last), y, h, "wait open")
            parts += _countdown(
                axis, (now_s, last), base + 37, f" left {act_words(picture.on)}", picture.on.act_before
            )
        parts.append(line(axis.x(last), 2, axis.x(last), base + 22, "needline"))
        moment = picture.clock.second(picture.on.act_before) if picture.on.act_before else ""
        right = axis.fraction(last) > 0.6
        beside = axis.x(max(last, now_s))  # clear of the line of the present, where both are near
        parts.append(
            text(
                beside,
                29,
                f"last moment to {'set out' if picture.on.set_out_before else 'start'}: {moment}",
                class_="strong for-wide",
                dx=-6.0 if right else 6.0,
                end=right,
            )
        )
        parts.append(
            text(beside, 29, moment, class_="strong for-narrow", dx=-6.0 if right else 6.0, end=right)
        )
        parts.append(rect(axis.x(last), y, axis.width(last, earliest), h, "work", fill="h-work"))
    elif earliest is not None and earliest > now_s:
        parts += _countdown(
            axis, (now_s, earliest), base + 37, " left at the least", picture.on.ends_earliest
        )
    return parts


def _countdown(
    axis: Axis, ends_s: tuple[float, float], y: float, words: str, until: datetime | None
) -> list[Element]:
    """Return the time left as a dimension; it ticks, as the figure beside the drawing does."""
    left = stopwatch(ends_s[1] - ends_s[0])
    ticks = left if until is None else el("tspan", left, data_until=iso(until))
    wide = dimension(axis, ends_s, y, f"{left}{words}", "held big", room_px=WIDE_PX, shown=[ticks, words])
    narrow = dimension(axis, ends_s, y, left, "held big", shown=[ticks])
    return [el("g", wide, class_="for-wide"), el("g", narrow, class_="for-narrow")]
