"""How figures are written: what favours us is rounded down, what counts against us up.

Durations come in seconds, powers in watts, shares as fractions. Unknown is a word, never a figure.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

CANNOT_TELL: Final = "cannot tell"


COUNTS: Final = ("none", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")


GRAIN: Final = 1e-6
"""What a float may be off by before it counts as more than the figure beside it."""


def down(value: float, decimals: int = 1) -> float:
    """Return `value` rounded towards less."""
    scale = 10.0**decimals
    return math.floor(value * scale + GRAIN) / scale


def up(value: float, decimals: int = 1) -> float:
    """Return `value` rounded towards more."""
    scale = 10.0**decimals
    return math.ceil(value * scale - GRAIN) / scale


def minutes(seconds: float, *, favours: bool) -> str:
    """Return seconds as minutes with one decimal, whole minutes from 100 on."""
    rounded = down if favours else up
    value = rounded(seconds / 60.0)
    return f"{value:.1f}" if value < 100.0 else f"{rounded(seconds / 60.0, 0):.0f}"


def span(seconds: float, *, favours: bool) -> tuple[str, str]:
    """Return a figure to be set large and its unit: minutes to two hours, then hours and minutes."""
    if seconds < 7200.0:
        return minutes(seconds, favours=favours), "min"
    whole = int((down if favours else up)(seconds / 60.0, 0))
    return f"{whole // 60} h {whole % 60:02d}", "min"


def spoken(seconds: float, *, favours: bool) -> str:
    """Return `span` as one piece of text."""
    figure, unit = span(seconds, favours=favours)
    return f"{figure} {unit}"


def margin(held_s: float, needed_s: float) -> str:
    """Return a margin: "+7.6 min" where it is held, "1.7 min short" where it is not."""
    left = held_s - needed_s
    return f"+{spoken(left, favours=True)}" if left >= 0 else f"{spoken(-left, favours=False)} short"


def age(seconds: float) -> str:
    """Return how long ago or how long since, as people say it."""
    whole = max(0, int(seconds))
    if whole < 60:
        return f"{whole} s"
    if whole < 600:
        return f"{whole // 60} min {whole % 60} s"
    if whole < 3600:
        return f"{whole // 60} min"
    if whole < 172_800:
        return f"{whole // 3600} h {whole % 3600 // 60} min"
    return f"{whole // 86_400} days"


def stopwatch(seconds: float) -> str:
    """Return min:s, or h:min:s from an hour on."""
    whole = max(0, int(seconds))
    if whole >= 3600:
        return f"{whole // 3600}:{whole % 3600 // 60:02d}:{whole % 60:02d}"
    return f"{whole // 60}:{whole % 60:02d}"


def kilo(value: float, decimals: int = 1) -> str:
    """Return watts in kilowatts (or volt-amperes in kilovolt-amperes), rounded to nearest: a reading."""
    return f"{value / 1000.0:.{decimals}f}"


def whole_percent(fraction: float) -> str:
    """Return a fraction as whole per cent without the sign, rounded to nearest."""
    return f"{fraction * 100.0:.0f}"


def end_percent(fraction: float) -> str:
    """Return an end of an interval as whole per cent without the sign, rounded down: less is what is promised."""
    return f"{down(fraction * 100.0, 0):.0f}"


def interval(fraction: float | None, low: float | None, high: float | None) -> str:
    """Return "68 % (60 to 76)", or that it cannot be told."""
    if fraction is None:
        return CANNOT_TELL
    if low is None or high is None:
        return f"{whole_percent(fraction)} %"
    return f"{whole_percent(fraction)} % ({end_percent(low)} to {end_percent(high)})"


def count(number: int) -> str:
    """Return a small count as a word."""
    return COUNTS[number] if 0 <= number < len(COUNTS) else str(number)


def listed(names: Sequence[str], last: str = "and") -> str:
    """Return "1, 2 and 3"."""
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} {last} {names[-1]}"


def banks_named(banks: Sequence[str]) -> str:
    """Return "bank d3", "banks d1 and d3", in order."""
    return f"bank{'' if len(banks) == 1 else 's'} {listed(sorted(banks))}"


def plural(number: int, noun: str) -> str:
    """Return "one unit", "three units"."""
    return f"{count(number)} {noun}{'' if number == 1 else 's'}"


def on_banks(gives: int, units: int, fed: int) -> str:
    """Return "is on its banks" of a system, or "has one of two units on its bank" where others of its units are fed."""
    if not fed or not 0 < gives < units:
        return "is on its banks"
    return f"has {count(gives)} of {plural(units, 'unit')} on {'its bank' if gives == 1 else 'their banks'}"


def capital(text: str) -> str:
    """Return a sentence with its first letter large."""
    return text[:1].upper() + text[1:]


def clause(sentence: str) -> str:
    """Return a sentence as a part of another: no stop at its end, small at its start unless a name or a code."""
    text = sentence.strip().rstrip(".")
    first = text.split(" ", 1)[0]
    return text[:1].lower() + text[1:] if first[1:].islower() and first.isalpha() else text
