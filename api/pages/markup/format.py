"""Figures and times as the page shows them: ages that tick, quantities set apart."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Final

from api.pages.markup.elements import Element, Node, el
from rules.phrasing.figures import age, stopwatch


def iso(moment: datetime) -> str:
    """Return a moment for the script that lets ages tick."""
    return moment.astimezone(UTC).replace(tzinfo=None).isoformat(timespec="milliseconds") + "Z"


def since(moment: datetime, now: datetime) -> Element:
    """Return how long ago `moment` was, ticking where there is a script."""
    return el("span", age((now - moment).total_seconds()), class_="tick-age", data_since=iso(moment))


def remaining(moment: datetime, now: datetime) -> Element:
    """Return how long it is until `moment`, counting down where there is a script; never below zero."""
    return el("span", stopwatch((moment - now).total_seconds()), class_="tick-left", data_until=iso(moment))


FIGURE: Final = re.compile(
    r"\+?\d+(?:[.:]\d+)*(?:\s(?:min|kWh|kW|kVA|VA|W|V|Ah|A|h|s|%|°C)\b|\s(?:%|°C))(?:\s\d+\s(?:s|min)\b)?"
)


def with_figures(text: str) -> Iterator[Node]:
    """Yield a sentence with its quantities set apart, since words and readings are."""
    end = 0
    for found in FIGURE.finditer(text):
        yield text[end : found.start()]
        yield el("b", found.group())
        end = found.end()
    yield text[end:]
