"""What one reading shows of its unit."""

from __future__ import annotations

from dataclasses import replace

from rules.alarms.signs import has_mains
from rules.plant.reading import InputLine, InputReading
from tests.rules.sample_plant import reading


def test_mains_is_there_only_when_every_line_has_volts() -> None:
    def at(*volts: float | None) -> bool | None:
        lines = tuple(InputLine(n, 50.0, v) for n, v in enumerate(volts, start=1))
        return has_mains(replace(reading("W1", 0), input=InputReading(lines=lines)), 230.0)

    assert at(231.0, 230.0, 229.0) is True
    assert at(231.0, 3.0, None) is False
    assert at(231.0, None, 229.0) is None
    assert at() is None
