"""What a well-behaved network card would say of a cabinet: RFC 1628 objects as integers on the wire.

A card measures with small gain errors of its own, sits in a cabinet warmer than its bank, rounds to the
resolution of the MIB, and guesses charge and minutes from the nameplate, as cards do: its minutes ignore
age and rate. One code path serves a single moment and two years of quarters of an hour: all quantities
are arrays over moments.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import Final

import numpy as np

from collector.cards.mib import upsmib
from collector.cards.snmp import ber
from collector.simulation.plant import battery
from collector.simulation.plant.unit import Feed, Mode, SimUnit, UnitPlant
from collector.simulation.plant.wander import Floats, seed_of

LOW_BATTERY_MIN: Final = 3
_TAG: Final[Mapping[upsmib.Kind, int]] = {
    upsmib.Kind.INTEGER: ber.INTEGER,
    upsmib.Kind.GAUGE: ber.GAUGE32,
    upsmib.Kind.COUNTER: ber.COUNTER32,
    upsmib.Kind.TICKS: ber.TIME_TICKS,
    upsmib.Kind.TEXT: ber.OCTET_STRING,
    upsmib.Kind.OID: ber.OBJECT_ID,
}

Wires = dict[str, int]
"""Object name (with the line behind a point) -> integer on the wire."""


@dataclass(frozen=True, slots=True)
class Meters:
    """The errors of one card's instruments: gains as shares, the probe's bias in kelvin."""

    bank_v: float
    bank_a: float
    watts: float
    probe_c: float

    @classmethod
    def of(cls, seed: int, unit: str) -> Meters:
        """Draw a card's instrument errors: 0.2 % of volts, 0.8 % of amperes, 0.5 % of watts.

        The probe sits in a cabinet about 1 K warmer than the bank, and is good to 1 K.
        """
        volts, amperes, watts, probe = np.random.default_rng(seed_of(seed, unit, "meters")).standard_normal(4)
        return cls(float(0.002 * volts), float(0.008 * amperes), float(0.005 * watts), float(1.0 + probe))


@dataclass(frozen=True)
class Moments:
    """A cabinet over one or many moments; every array has one entry (or row) per moment."""

    uptime_s: Floats
    source: Floats
    battery_status: Floats
    on_battery_s: Floats
    charge: Floats
    card_minutes: Floats
    bank_v: Floats
    bank_a: Floats
    bank_c: Floats
    bads: Floats
    feed_v: Floats
    feed_hz: Floats
    input_w: Floats
    bypass_share: Floats
    output_v: Floats
    watts: Floats
    va: Floats
    alarms: Floats
    test: Floats

    @classmethod
    def joined(cls, parts: Sequence[Moments]) -> Moments:
        """Return the moments of several in one."""
        return cls(*(np.concatenate([getattr(part, place.name) for part in parts]) for place in fields(cls)))


def _column(value: float) -> Floats:
    return np.array([value])


_SOURCE: Final[Mapping[Mode, int]] = {
    Mode.NORMAL: 3,
    Mode.WALKING_IN: 3,
    Mode.BATTERY: 5,
    Mode.TESTING: 5,
    Mode.BYPASS: 4,
    Mode.ENDED: 2,
    Mode.ISOLATED: 2,
}


def card_charge(plant: UnitPlant, drawn_ah: float) -> float:
    """Return the card's guess of the charge, 0 to 1: ampere-hours drawn over 60 % of the nameplate."""
    return min(max(1.0 - drawn_ah / (0.6 * plant.bank.cell.capacity_ah), 0.0), 1.0)


def card_minutes(plant: UnitPlant, charge: Floats, output_w: Floats) -> Floats:
    """Return the card's minutes: nameplate watt-hours at the twenty-minute rate over the load, whatever it is."""
    stored_wh = 0.44 * plant.bank.cell.capacity_ah * 1.95 * plant.bank.cells * plant.bank.strings
    return np.clip(60.0 * charge * stored_wh / np.maximum(output_w, 0.05 * plant.rating_w), 1.0, 999.0)


def alarms_of(plant: UnitPlant, state: SimUnit, feed: Feed, minutes: float) -> tuple[str, ...]:
    """Return the standard's alarms a faultless card raises, in the standard's order."""
    overloaded = any(
        max(w / (plant.rating_w / plant.lines), s / (plant.rating_va / plant.lines)) > 1.0
        for w, s in zip(state.watts, state.va, strict=True)
    )
    raised = {
        "upsAlarmOnBattery": state.mode is Mode.BATTERY,
        "upsAlarmLowBattery": state.on_battery and minutes <= LOW_BATTERY_MIN,
        "upsAlarmDepletedBattery": state.mode is Mode.ENDED,
        "upsAlarmInputBad": not feed.acceptable,
        "upsAlarmOutputOverload": overloaded,
        "upsAlarmOnBypass": state.mode is Mode.BYPASS,
        "upsAlarmBypassBad": not feed.acceptable,
        "upsAlarmUpsOutputOff": state.mode in (Mode.ENDED, Mode.ISOLATED),
        "upsAlarmTestInProgress": state.mode is Mode.TESTING,
    }
    return tuple(name for name, on in raised.items() if on)


def moment_of(
    plant: UnitPlant,
    state: SimUnit,
    feed: Feed,
    *,
    uptime_s: float,
    test: int = 6,
    extra_alarms: int = 0,
) -> Moments:
    """Return one moment of a cabinet as its card sees it."""
    bank = state.bank
    charge = card_charge(plant, bank.drawn_ah)
    output_w = float(sum(state.watts))
    minutes = float(card_minutes(plant, _column(charge), _column(output_w))[0])
    fed = state.mode not in (Mode.ENDED, Mode.ISOLATED)
    output_v = feed.voltage_v if state.mode is Mode.BYPASS else 230.0 * fed
    low = state.on_battery and (minutes <= LOW_BATTERY_MIN or bank.voltage_v < 1.72 * plant.bank.cells)
    status = 4 if state.mode is Mode.ENDED else 3 if low else 2
    return Moments(
        uptime_s=_column(uptime_s),
        source=_column(_SOURCE[state.mode]),
        battery_status=_column(status),
        # "the lesser of the time since transfer and the time since the agent restarted" (RFC 1628)
        on_battery_s=_column(max(min(state.mode_s, uptime_s), 1.0) if state.on_battery else 0.0),
        charge=_column(charge),
        card_minutes=_column(minutes),
        bank_v=_column(bank.voltage_v),
        bank_a=_column(bank.current_a),
        bank_c=_column(bank.temperature_c),
        bads=_column(state.bads),
        feed_v=_column(feed.voltage_v),
        feed_hz=_column(feed.frequency_hz),
        input_w=_column(state.input_w),
        bypass_share=_column(1.0 if state.mode is Mode.BYPASS else 0.0),
        output_v=_column(output_v),
        watts=np.array([state.watts]),
        va=np.array([state.va]),
        alarms=_column(len(alarms_of(plant, state, feed, minutes)) + extra_alarms),
        test=_column(5 if state.mode is Mode.TESTING else test),
    )


def live_columns(plant: UnitPlant, meters: Meters, at: Moments) -> dict[str, Floats]:
    """Return the live objects as whole numbers, one array over the moments for each object."""
    lines = plant.lines
    columns: dict[str, Floats] = {
        "sysUpTime": np.floor(at.uptime_s * 100.0) % 2.0**32,
        "upsBatteryStatus": at.battery_status,
        "upsSecondsOnBattery": np.floor(at.on_battery_s),
        "upsEstimatedMinutesRemaining": np.floor(at.card_minutes),
        "upsEstimatedChargeRemaining": np.floor(100.0 * at.charge),
        "upsBatteryVoltage": 10.0 * at.bank_v * (1.0 + meters.bank_v),
        "upsBatteryCurrent": 10.0 * at.bank_a * (1.0 + meters.bank_a),
        "upsBatteryTemperature": at.bank_c + meters.probe_c,
        "upsInputLineBads": at.bads,
        "upsOutputSource": at.source,
        "upsOutputFrequency": np.where(at.output_v > 0.0, 500.0, 0.0),
        "upsAlarmsPresent": at.alarms,
        "upsTestResultsSummary": at.test,
    }
    input_w = at.input_w / lines
    for i in range(lines):
        # Lines of a supply are never quite alike; the offsets are fixed so that they stay recognisable.
        feed_v = at.feed_v * (1.0 + (0.0, 0.006, -0.005)[i])
        output_v = at.output_v * (1.0 + (0.001, -0.002, 0.002)[i])
        row = f".{i + 1}"
        columns["upsInputFrequency" + row] = 10.0 * at.feed_hz
        columns["upsInputVoltage" + row] = feed_v
        columns["upsInputCurrent" + row] = 10.0 * input_w / 0.99 / np.maximum(feed_v, 1.0)
        columns["upsInputTruePower" + row] = input_w
        watts = at.watts[:, i] * (1.0 + meters.watts)
        columns["upsOutputVoltage" + row] = output_v
        columns["upsOutputCurrent" + row] = 10.0 * at.va[:, i] / np.maximum(output_v, 1.0)
        columns["upsOutputPower" + row] = watts
        columns["upsOutputPercentLoad" + row] = np.minimum(
            100.0 * lines * np.maximum(watts / plant.rating_w, at.va[:, i] / plant.rating_va), 200.0
        )
    return {name: np.rint(values) for name, values in columns.items()}


def slow_columns(plant: UnitPlant, at: Moments) -> dict[str, Floats]:
    """Return the objects that are read less often: bypass, line counts, the last test."""
    ones = np.ones_like(at.uptime_s)
    columns: dict[str, Floats] = {
        "upsInputNumLines": plant.lines * ones,
        "upsOutputNumLines": plant.lines * ones,
        "upsBypassNumLines": plant.lines * ones,
        "upsBypassFrequency": 10.0 * at.feed_hz,
        "upsTestStartTime": 0.0 * ones,
        "upsTestElapsedTime": 0.0 * ones,
    }
    for i in range(plant.lines):
        row = f".{i + 1}"
        columns["upsBypassVoltage" + row] = at.feed_v
        columns["upsBypassCurrent" + row] = 10.0 * at.bypass_share * at.va[:, i] / np.maximum(at.feed_v, 1.0)
        columns["upsBypassPower" + row] = at.bypass_share * at.watts[:, i]
    return {name: np.rint(values) for name, values in columns.items()}


def first_row(columns: Mapping[str, Floats]) -> Wires:
    """Return the first moment of columns as integers."""
    return {name: int(values[0]) for name, values in columns.items()}


def nameplate(plant: UnitPlant) -> dict[str, int | str]:
    """Return what the card says the cabinet is."""
    return {
        "upsIdentManufacturer": "Harrowfell Power",
        "upsIdentModel": plant.model,
        "upsIdentUPSSoftwareVersion": "4.12",
        "upsIdentAgentSoftwareVersion": "2.3.1",
        "upsIdentName": plant.id,
        "upsIdentAttachedDevices": "",
        "upsConfigInputVoltage": 230,
        "upsConfigInputFreq": 500,
        "upsConfigOutputVoltage": 230,
        "upsConfigOutputFreq": 500,
        "upsConfigOutputVA": round(plant.rating_va),
        "upsConfigOutputPower": round(plant.rating_w),
        "upsConfigLowBattTime": LOW_BATTERY_MIN,
        "upsConfigAudibleStatus": 2,
        "upsConfigLowVoltageTransferPoint": 202,
        "upsConfigHighVoltageTransferPoint": 258,
        "upsTestId": upsmib.OBJECTS_ROOT + ".7.7.1",
        "upsTestSpinLock": 1,
        "upsTestResultsDetail": "",
        "upsShutdownType": 1,
        "upsShutdownAfterDelay": -1,
        "upsStartupAfterDelay": -1,
        "upsRebootWithDuration": -1,
        "upsAutoRestart": 1,
    }


Typed = tuple[int, ber.Value]


def typed(wire: Mapping[str, int | str]) -> dict[str, Typed]:
    """Return object names with the ASN.1 tag that RFC 1628 gives them and the value as it is sent."""
    values: dict[str, Typed] = {}
    for name, value in wire.items():
        if name == "sysUpTime":
            values[name] = (ber.TIME_TICKS, value)
            continue
        kind = upsmib.BY_NAME[name.partition(".")[0]].kind
        sent: ber.Value = value.encode() if kind is upsmib.Kind.TEXT and isinstance(value, str) else value
        values[name] = (_TAG[kind], sent)
    return values


def oid_of(name: str) -> str:
    """Return where an object stands by the standard: scalars end in .0, rows in their line."""
    if name == "sysUpTime":
        return upsmib.SYS_UP_TIME
    stem, _, row = name.partition(".")
    item = upsmib.BY_NAME[stem]
    return f"{item.oid}.{row}" if item.column else item.oid


@dataclass(frozen=True, slots=True)
class AlarmRows:
    """The alarm table of one card: name -> (row id, sysUpTime ticks when it came)."""

    rows: Mapping[str, tuple[int, int]]
    next_id: int = 1

    def after(self, raised: Sequence[str], uptime_s: float) -> AlarmRows:
        """Return the table after exactly `raised` stand; a row keeps its id while its condition lasts."""
        if set(raised) == set(self.rows):
            return self
        ticks = 0 if uptime_s < 2.0 else int(uptime_s * 100.0)  # 0: already present at agent start (RFC 1628)
        rows = {name: row for name, row in self.rows.items() if name in raised}
        next_id = self.next_id
        for name in raised:
            if name not in rows:
                rows[name] = (next_id, ticks)
                next_id += 1
        return replace(self, rows=rows, next_id=next_id)

    def objects(self) -> dict[str, Typed]:
        """Return the table's columns by OID."""
        table: dict[str, Typed] = {}
        for name, (row, ticks) in self.rows.items():
            table[f"{upsmib.ALARM_DESCR}.{row}"] = (ber.OBJECT_ID, upsmib.ALARM_OID[name])
            table[f"{upsmib.ALARM_TIME}.{row}"] = (ber.TIME_TICKS, ticks)
        return table


def drained(plant: UnitPlant, state: SimUnit) -> float:
    """Return the true charge of the bank's emptiest cells, 0 to 1; what no card knows."""
    return battery.charge_fraction(plant.bank, state.bank)
