"""InfluxDB's line protocol: a line loses nothing of a reading."""

from collections.abc import Callable

import pytest

from collector.storage.history.influx.lines import line_of, reading_in_line
from collector.storage.history.store import Meaning, Wire, WireReading

Make = Callable[..., WireReading]


def test_a_line_gives_back_the_reading_it_was_made_of(meaning: Meaning, reading: Make) -> None:
    wire: dict[str, Wire] = {
        "upsOutputPower.1": 5000,
        "upsOutputPower.2": -1,
        "upsBatteryVoltage": "545",
        "upsIdentModel": b"\x00odd\xff",
        "upsInputLineBads": 2**64 - 1,
        "upsAlarmsPresent": None,
        "an, odd=name": 7,
        "upsIdentManufacturer": 'Ohm, "Volt" = \\ & daughters\n\udcff é, a=5i',
    }
    for one in (
        reading(0.123, wire, unit="B, 2=3", corrections="halved, twice"),
        reading(10, corrections=""),
        reading(20, silence='no answer; "late", x=1i'),
    ):
        assert reading_in_line(line_of(one, meaning)) == one
    with pytest.raises(ValueError, match="no line"):
        reading_in_line("reading,unit=A1")
