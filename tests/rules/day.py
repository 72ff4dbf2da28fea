"""A recorded day in the life of the plant of `tests.rules.sample_plant`, made up."""

from __future__ import annotations

from datetime import timedelta

from rules.monitor.inputs import Input, OperatorAction, OperatorCommand, SystemJudged, Tick
from rules.system.state import OnBattery
from tests.rules.sample_plant import START, UNITS, on_bank, reading, silence, stamp, system_state

NORTH = UNITS["works"] + UNITS["control"]
EVERY = NORTH + UNITS["depot"]


def on_battery_since(seconds: float, *, lasts_s: float, failed: int | None = None) -> OnBattery:
    since = START + timedelta(seconds=seconds)
    latest = since + timedelta(seconds=lasts_s * 1.15)
    return OnBattery(since, since + timedelta(seconds=lasts_s), latest, None, failed, unfed_since=since)


def recorded_day() -> list[Input]:
    """Return a day with a sag, an outage with odd ones, a silent card, a maker's alarm, people and judgements."""
    day: list[Input] = []
    for seconds in range(0, 1500, 10):
        for n, unit in enumerate(EVERY):
            at = seconds + 0.3 * n
            dark = 600 <= at < 1100 and unit in NORTH
            late = unit == "W4" and 600 <= at < 1300
            if unit == "C2" and 1200 <= at < 1350:
                day.append(silence(unit, at))
            elif dark or late:
                day.append(on_bank(unit, at))
            elif unit == "D1" and 1380 <= at < 1450:
                day.append(reading(unit, at, alarms=("upsAlarmFanFailure", "1.3.6.1.4.1.99999.1")))
            else:
                day.append(reading(unit, at))
        outage_now = on_battery_since(600, lasts_s=1100) if 600 <= seconds < 1100 else None
        day.append(
            SystemJudged(stamp(seconds + 5), system_state("works", seconds + 5, on_battery=outage_now))
        )
        day.append(Tick(stamp(seconds + 9)))
    day.append(OperatorAction(stamp(1501), OperatorCommand.ACKNOWLEDGE, "on_battery:W1", "R. Haugen"))
    return sorted(day, key=lambda i: i.stamp.monotonic_s)
