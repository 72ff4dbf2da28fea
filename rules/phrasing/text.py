"""Numbers and sentences as people read them.

Figures that favour us are rounded down, figures that count against us up. No clock time stands in a
sentence: the hour belongs to a place, and places are the edge's business.
"""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Callable, Mapping, Sequence
from typing import Final

from rules.alarms.lifecycle.alarm import Deadline

SHORT: Final = 160
ACTION_WITHIN: Final = 100
"""What to do is begun, and where it is short said, within so many characters: what a lock screen shows."""
ACTION_ROOM: Final = 28
CAUSE_ROOM: Final = 20
WHOLE_CLAUSES: Final = 0.6
_CLAUSE_END: Final = re.compile(r"[,;:.](?= |$)")

ACT_FOR: Final[Mapping[str | None, str]] = {
    Deadline.SHED: ", to shed in time",
    Deadline.START_SET: ", to start the generator",
    Deadline.SET_OUT: ", to send somebody to the generator",
    Deadline.BANKS_END: ", when the banks may end",
}
"""What a last moment is for, after the moment; nothing of a time to respond."""


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


def fed_words(fed: Sequence[str], units: Sequence[str]) -> str:
    """Return "2 of 3 units are fed" of a system's units, or of others on its supply; "" when none is."""
    return fed_clause(sum(unit in fed for unit in units), len(units), len(fed))


def fed_clause(mine: int, units: int, others: int) -> str:
    """Return the same by how many: of a system's `units` are fed, of `others` where none of its own is."""
    if mine:
        return f"{mine} of {counted(units, 'unit')} {'is' if mine == 1 else 'are'} fed"
    if others:
        return f"{counted(others, 'other unit')} on its supply {'is' if others == 1 else 'are'} fed"
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


def short_form(cause: str, where: str, left: str | None, action: str, *, most: int = SHORT) -> str:
    """Return place, cause, time left and first action in at most `most` plain characters, the action within the first 100.

    `cause` says nothing of the time left where `left` does. The place is said once: in front, or by the cause that
    names it. What does not fit is cut from the cause, at the end of a clause where there is one, then from the
    action; the place and the time left are kept whole as long as they fit at all.
    """
    cause, where, action = plain(cause).rstrip(" ."), plain(where), plain(action)
    middle = f", {plain(left)}" if left else ""
    first = len(_CLAUSE_END.split(action, maxsplit=1)[0])
    kept_for_action = 2 + min(first, ACTION_ROOM) if action else 0
    within = min(ACTION_WITHIN, most) if action else most
    room = within - kept_for_action - len(middle)
    front, whole = _placed(where, cause)
    cause = _cut(whole, max(room - len(front), CAUSE_ROOM))
    if not front and not any(_names(name, cause) for name in _called(where)):  # its place was cut off
        front = f"{where}: "
        cause = _cut(whole, max(room - len(front), CAUSE_ROOM))
    text = f"{front}{cause}{middle}"
    if len(text) + 8 < most and action:
        text += " " if text.endswith("..") else ". "
        text += _cut(action, most - len(text))
    return text[:most]


def _placed(where: str, cause: str) -> tuple[str, str]:
    """Return what stands in front of a cause, and the cause: none of its places is said a second time."""
    called = _called(where)
    for name in called:
        for behind in (": ", " "):
            if cause.casefold().startswith(f"{name}{behind}".casefold()):
                return f"{where}: ", cause[len(name) + len(behind) :]
    if any(_names(name, cause) for name in called):
        return "", capital(cause)
    return f"{where}: ", cause


def _called(where: str) -> tuple[str, ...]:
    """Return what a place is called: with its site, without it, and without what stands in brackets behind it."""
    own = where.rsplit(", ", 1)[-1]
    return tuple(dict.fromkeys((where, own, own.partition(" (")[0])))


def _names(name: str, text: str) -> bool:
    return re.search(rf"\b{re.escape(name)}(?!\w)", text) is not None


def _cut(text: str, most: int) -> str:
    """Return a text of at most so many characters: whole clauses where these are most of it, else whole words."""
    if len(text) <= most:
        return text
    clauses = [m.start() for m in _CLAUSE_END.finditer(text) if m.start() <= most]
    if clauses and clauses[-1] >= WHOLE_CLAUSES * most:
        return text[: clauses[-1]]
    kept = text[: max(most - 2, 1)].rsplit(" ", 1)[0]
    return kept if kept.endswith(".") else kept.rstrip(",;:") + ".."
