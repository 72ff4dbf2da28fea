"""Numbers and sentences as people read them.

Figures that favour us are rounded down, figures that count against us up. No clock time stands in a
sentence: the hour belongs to a place, and places are the edge's business.
"""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from typing import Final

from rules.phrasing.figures import clause
from rules.system.state import HoldUps, ShedFirst, ShedStep, UnitWork

SHORT: Final = 160


def at_least(seconds: float) -> str:
    """Return a time somebody may count on, in minutes or hours, rounded down."""
    return _time(seconds, math.floor, 1e-9)


def at_most(seconds: float) -> str:
    """Return a time that is needed or was lost, rounded up."""
    return _time(seconds, math.ceil, -1e-9)


def _time(seconds: float, round_to: Callable[[float], int], nudge: float) -> str:
    """`nudge`: a hair's breadth of floating point must not cost a tenth."""
    if abs(seconds) < 60.0:
        return f"{round_to(seconds + nudge):d} s"
    if abs(seconds) < 6000.0:
        return f"{round_to(seconds / 6.0 + nudge) / 10:.1f} min"
    return f"{round_to(seconds / 360.0 + nudge) / 10:.1f} h"


def clock_words(by: timedelta) -> str:
    """Return that a machine's clock was set, and by how much."""
    way = "ahead" if by > timedelta() else "back"
    return f"The machine's clock was set {way} by {lasted(abs(by.total_seconds()))}."


def lasted(seconds: float) -> str:
    """Return how long something took, to the second below an hour; nothing lasted less than no time."""
    whole = max(round(seconds), 0)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60} s"
    if whole < 172_800:
        return f"{whole // 3600} h {whole % 3600 // 60} min"
    return f"{whole // 86_400} d"


def overdue(work: UnitWork) -> str:
    """Return that the time for work has passed, with how its unit stands."""
    return f"The time for work on unit {work.unit} has passed. {work.because}"


def fed_words(fed: Sequence[str], units: Sequence[str]) -> str:
    """Return "2 of 3 units are fed again" of a system's units, or of others on its supply; "" when none is."""
    mine = [unit for unit in units if unit in fed]
    if mine:
        return f"{len(mine)} of {counted(len(units), 'unit')} {'is' if len(mine) == 1 else 'are'} fed again"
    if fed:
        return f"{counted(len(fed), 'other unit')} on its supply {'is' if len(fed) == 1 else 'are'} fed"
    return ""


def kilowatts(watts: float) -> str:
    """Return a power in kilowatts with two digits behind the point below 10 kW."""
    return f"{watts / 1000:.2f} kW" if abs(watts) < 10_000 else f"{watts / 1000:.1f} kW"


def capital(text: str) -> str:
    """Return the text with its first letter as a sentence begins."""
    return text[:1].upper() + text[1:]


def counted(number: int, noun: str) -> str:
    """Return "1 unit", "3 units"."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def listed(names: tuple[str, ...] | list[str], most: int = 6) -> str:
    """Return "A, B and C", or the first few and how many more."""
    shown = list(names[:most])
    if len(names) > most:
        return ", ".join(shown) + f" and {len(names) - most} more"
    return shown[0] if len(shown) == 1 else ", ".join(shown[:-1]) + (f" and {shown[-1]}" if shown else "")


ENOUGH: Final = 1.1
"""How far over what is wanted the time left must lie before steps that were advised are taken back."""


LAST_MOMENT: Final = timedelta(seconds=60)
"""Before the earliest end, in which nobody is told that shedding can wait: a hand at a switch takes as long."""


def holds_without(shed: ShedFirst, at: datetime, ends: datetime) -> bool:
    """Return whether it holds for what is wanted without shedding, by what is known of its end at `at`."""
    return (ends - at).total_seconds() >= shed.wanted_s * (ENOUGH if shed.steps else 1.0)


def _step_words(step: ShedStep) -> str:
    return f"{step.group}, {kilowatts(step.power_w)}" + (f" (by {step.by})" if step.by else "")


def shed_words(shed: ShedFirst, at: datetime, ends: datetime | None) -> str:
    """Return what to shed first as sentences, with how long it then holds from `at`, and since when it is not reckoned.

    `ends`: when it ends at the earliest without shedding, as known at `at`: that is newer than the advice, and is what
    stands beside this sentence. None: not known, and then nothing can be told of what shedding gives.
    """
    told = _shed_words(shed, at, ends)
    if shed.not_since is None:
        return told
    ago = at_most((at - shed.as_of).total_seconds())
    return f"{told} Reckoned {ago} ago and not since: {clause(shed.not_since)}."


def _shed_words(shed: ShedFirst, at: datetime, ends: datetime | None) -> str:
    if shed.reached is None or ends is None:
        order = f": {', then '.join(_step_words(s) for s in shed.order)}" if shed.order else ""
        return f"What shedding gives cannot be told; shed in the agreed order{order}."
    wanted = f"{shed.wanted_for} ({at_most(shed.wanted_s)})"
    if holds_without(shed, at, ends):
        return f"Nothing needs to be shed yet: it holds for {wanted}."
    if not shed.steps:
        return (
            f"It may not hold for {wanted} any more; what to shed is being reckoned."
            if shed.reached
            else f"It does not hold for {wanted}, and no load group is declared that could be shed."
        )
    steps = [_step_words(step) for step in shed.steps]
    if shed.all_shed:
        return f"Shut down in order, {', then '.join(steps)}: shedding less does not hold for {wanted}."
    if shed.shed_by is not None and at > shed.shed_by:
        return f"It is too late to shed for {wanted}: shut down in order, {', then '.join(steps)}."
    text = f"Shed first {', then '.join(steps)}"
    if shed.ends_earliest is not None:
        then = max(shed.ends_earliest, ends, at)
        text += f": it then holds {at_least((then - at).total_seconds())} at the least"
    if shed.reached and shed.shed_by is not None:
        # Whoever waits to the end of the bank sheds a dark load: what stands as left is the least, not a promise.
        by = min(shed.shed_by, ends - LAST_MOMENT)
        within = f"shed within {at_least((by - at).total_seconds())}" if by > at else "shed at once,"
        text += f"; {within} it is still enough"
    return f"{text}." if shed.reached else f"{text}, not the {at_most(shed.wanted_s)} of {shed.wanted_for}."


def worst_lost(hold_up: HoldUps) -> str | None:
    """Return the unit whose loss leaves the shortest hold-up, or None where that is not known."""
    known = [
        (lost.hold_up.low_s, lost.unit) for lost in hold_up.each_unit_lost if lost.hold_up.low_s is not None
    ]
    return min(known)[1] if known else None


def plain(text: str) -> str:
    """Return the text in plain ASCII: accents dropped, typographic signs replaced, the rest a question mark."""
    for sign, instead in {
        "–": "-",
        "—": "-",
        "’": "'",
        "“": '"',
        "”": '"',
        "…": "...",
        "°": "deg",
        "×": "x",
    }.items():
        text = text.replace(sign, instead)
    text = unicodedata.normalize("NFKD", text)
    text = "".join(c for c in text if not unicodedata.combining(c))
    return " ".join("".join(c if 32 <= ord(c) < 127 else "?" for c in text).split())


_LEFT: Final = re.compile(r"\s*It holds \S+ \S+ more at the least(?: \([^)]*\))?\.")
"""The sentence of an alarm that says the time left, which the short form says beside it."""


def short_form(cause: str, where: str, left: str | None, action: str, *, most: int = SHORT) -> str:
    """Return cause, system, time left and first action in at most `most` plain characters.

    What does not fit is cut from the action first, then from the cause, at a word's end; the place and
    the time left are kept whole as long as they fit at all.
    """
    cause, where, action = plain(cause), plain(where), plain(action)
    if left:
        cause = _LEFT.sub("", cause)
    cause = cause.rstrip(" .")
    middle = f", {plain(left)}" if left else ""
    fixed = f"{where}: ", middle
    room = most - sum(map(len, fixed))
    cause = _cut(cause, max(room - min(len(action) + 2, 40), 20))
    text = f"{fixed[0]}{cause}{fixed[1]}"
    if len(text) + 8 < most and action:
        text = f"{text}. {_cut(action, most - len(text) - 2)}"
    return text[:most]


def _cut(text: str, most: int) -> str:
    if len(text) <= most:
        return text
    kept = text[: max(most - 2, 1)].rsplit(" ", 1)[0]
    return kept if kept.endswith(".") else kept.rstrip(",;:") + ".."
