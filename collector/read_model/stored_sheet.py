"""What the pages show while no service runs: a sheet made from a data folder, as of its newest reading."""

from __future__ import annotations

from collector.configuration import Configuration
from collector.read_model.sheet import CapacityForecast, Sheet, ShownUnit
from collector.read_model.sheet import ShownIsolation as IsolationView
from collector.read_model.sheet_source import alarm_as_read, fan_of, in_order
from collector.read_model.sources import isolation_of
from collector.read_model.stored_source import StoredAnswers
from collector.read_model.wall_clock import WallClock
from rules.planning.isolation.check import Isolation


def stored_sheet(configuration: Configuration, answers: StoredAnswers) -> Sheet:
    """Return what is known from a data folder."""
    estate, present = configuration.estate, answers.present
    return Sheet(
        now=answers.as_of,
        title=configuration.title,
        estate=estate,
        systems=tuple(present.systems[s] for s in estate.systems if s in present.systems),
        banks=tuple(present.banks[b] for b in estate.banks if b in present.banks),
        units=tuple(_unit(answers, unit) for unit in estate.units),
        alarms=tuple(alarm_as_read(estate, a) for a in in_order(present.alarms.values())),
        fans={system: fan_of(judged.ends) for system, judged in present.hold_ups.items()},
        forecasts={
            name: tuple(CapacityForecast(e.day, e.median, e.low, e.high) for e in bank.expected)
            for name, bank in present.banks.items()
        },
        sizes=dict(present.sizes),
        tells=bool(configuration.people),
        estate_file=configuration.path.name,
        poll_s=configuration.polling.every_s,
    )


def stored_isolation(
    configuration: Configuration, answers: StoredAnswers, checked: Isolation
) -> IsolationView:
    """Return an isolation check as pages say it."""
    unit = configuration.estate.units[checked.unit]
    zone = configuration.estate.site_of(unit.system).time_zone
    return isolation_of(checked, WallClock(zone, answers.as_of))


def _unit(answers: StoredAnswers, unit: str) -> ShownUnit:
    reading = answers.present.readings.get(unit)
    age_s = None if reading is None else max(0.0, (answers.as_of - reading.at).total_seconds())
    return ShownUnit(id=unit, reading=reading, age_s=age_s)
