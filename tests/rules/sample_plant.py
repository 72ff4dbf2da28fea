"""A small invented site for the tests of the rules: two supplies, three systems, eleven units."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, date, datetime, timedelta

from rules.battery.state import BankState, Capacity, ChargingVerdict, ReplacementDates
from rules.plant.estate import (
    Bank,
    Card,
    Estate,
    FittedBank,
    FittedUnit,
    Generator,
    Purpose,
    Requirement,
    Site,
    Supply,
    System,
    Unit,
    WatchPower,
)
from rules.plant.reading import (
    BatteryReading,
    BatteryStatus,
    Fault,
    InputLine,
    InputReading,
    Nameplate,
    OutputLine,
    OutputReading,
    OutputSource,
    Reading,
    Silence,
    Stamp,
)
from rules.system.state import (
    UNKNOWN_HOLD_UP,
    Against,
    EndOfLife,
    HoldUp,
    HoldUps,
    LineLoad,
    LineRedundancy,
    Load,
    LoadBasis,
    OnBattery,
    Redundancy,
    RequirementVerdict,
    SystemState,
    UnitLost,
)
from rules.values.reason import told
from rules.values.verdict import Basis, EndedBy, Verdict

START = datetime(2026, 10, 9, 0, 14, 7, tzinfo=UTC)
SYSTEMS = {"works": "Treatment works", "control": "Control centre", "depot": "Depot"}
UNITS = {"works": ("W1", "W2", "W3", "W4", "W5", "W6"), "control": ("C1", "C2", "C3", "C4"), "depot": ("D1",)}


def estate() -> Estate:
    """Return the site: works and control on one supply with a generator, the depot on another without."""
    fitted = (FittedUnit(date(2019, 1, 1), None, "Tarn 30", 30_000.0, 27_000.0),)
    units = {u: Unit(u, system, 3, (1, 2, 3), fitted) for system, members in UNITS.items() for u in members}
    bank = FittedBank(date(2019, 1, 1), None, "Fell 18", 32, 1.67, 18.0, 20.0, (), 10.0)
    requirements = (
        Requirement("start", Purpose.GENERATOR_START, 75.0),
        Requirement("hand", Purpose.MANUAL_GENERATOR_START, 570.0),
    )
    return Estate(
        sites={"fellbeck": Site("fellbeck", "Fellbeck Water", "Europe/London")},
        supplies={
            "north": Supply("north", "fellbeck", "set-1"),
            "south": Supply("south", "fellbeck"),
        },
        generators={"set-1": Generator("set-1", 300_000.0, 5.0, 3, 15.0, 15.0, 10.0, 5.0)},
        systems={
            "works": System(
                "works", SYSTEMS["works"], "fellbeck", "north", "main board B", 1, None, requirements
            ),
            "control": System("control", SYSTEMS["control"], "fellbeck", "north", "main board A", 1),
            "depot": System("depot", SYSTEMS["depot"], "fellbeck", "south"),
        },
        units=units,
        cards={f"card-{u}": Card(f"card-{u}", (u,)) for u in units},
        banks={f"bank-{u}": Bank(f"bank-{u}", (u,), 192, 1, (bank,)) for u in units},
        watch_power=WatchPower("control", "control", "control"),
    )


def stamp(seconds: float, start: str = "run-1") -> Stamp:
    """Return the stamp `seconds` after the beginning."""
    return Stamp(START + timedelta(seconds=seconds), 1000.0 + seconds, start)


def reading(
    unit: str,
    seconds: float,
    *,
    source: OutputSource | None = OutputSource.NORMAL,
    input_v: float | None = 231.0,
    power_w: float = 5100.0,
    load_pct: float = 57.0,
    status: BatteryStatus | None = BatteryStatus.NORMAL,
    alarms: tuple[str, ...] | None = (),
    temperature_c: float | None = 24.0,
    model: str = "Tarn 30",
    start: str = "run-1",
) -> Reading:
    """Return a reading of a unit of the plant."""
    return Reading(
        unit=unit,
        stamp=stamp(seconds, start),
        agent_uptime_s=10_000.0 + seconds,
        battery=BatteryReading(status=status, temperature_c=temperature_c, voltage_v=436.0),
        input=InputReading(lines=tuple(InputLine(n, 50.0, input_v) for n in (1, 2, 3))),
        output=OutputReading(
            source, 50.0, tuple(OutputLine(n, 230.0, power_w / 230.0, power_w, load_pct) for n in (1, 2, 3))
        ),
        card_alarms=alarms,
        nameplate=Nameplate(manufacturer="Fellmade", model=model, nominal_input_voltage_v=230),
    )


def on_bank(unit: str, seconds: float, *, start: str = "run-1") -> Reading:
    """Return a reading of a unit that lost its mains, with the alarms its card then shows."""
    return reading(
        unit,
        seconds,
        source=OutputSource.BATTERY,
        input_v=0.0,
        alarms=("upsAlarmInputBad", "upsAlarmBypassBad", "upsAlarmOnBattery"),
        start=start,
    )


def silence(unit: str, seconds: float) -> Silence:
    """Return a unit's card not answering."""
    return Silence(unit, stamp(seconds), "no reply within 2 s")


def fault(unit: str, seconds: float) -> Fault:
    """Return a fault of our own about a unit."""
    return Fault(unit, stamp(seconds), "IndexError in decode")


def system_state(
    system: str,
    seconds: float,
    *,
    holds_s: float | None = 1000.0,
    verdict: Verdict = Verdict.ADEQUATE,
    margin_s: float | None = 430.0,
    spare: Verdict = Verdict.ADEQUATE,
    spare_margin_w: float = 4000.0,
    lines_w: Iterable[float] = (9000.0, 9000.0, 9100.0),
    on_battery: OnBattery | None = None,
) -> SystemState:
    """Return a judgement of a system."""
    hold = (
        UNKNOWN_HOLD_UP
        if holds_s is None
        else HoldUp(holds_s, holds_s * 1.1, holds_s * 1.2, EndedBy.BANK, Basis.TESTED)
    )
    lost = tuple(UnitLost(u, hold) for u in UNITS[system])
    loads = tuple(LineLoad(n, w, w) for n, w in enumerate(lines_w, start=1))
    at = START + timedelta(seconds=seconds)
    because = (
        (told("The bank was never shown to carry this load."),) if verdict is Verdict.CANNOT_TELL else ()
    )
    requirements = (
        (
            RequirementVerdict(
                "hand",
                Purpose.MANUAL_GENERATOR_START,
                570.0,
                Against.ONE_UNIT_LOST,
                verdict,
                because,
                at,
                margin_s,
            ),
            RequirementVerdict(
                "start",
                Purpose.GENERATOR_START,
                75.0,
                Against.ONE_UNIT_LOST,
                Verdict.ADEQUATE,
                (),
                at,
                500.0,
            ),
        )
        if system == "works"
        else ()
    )
    asked_w, limit_w = 9000.0 - spare_margin_w, 9000.0
    line_2 = LineRedundancy(2, asked_w, None, asked_w, None, limit_w, None)
    return SystemState(
        id=system,
        name=SYSTEMS[system],
        site="fellbeck",
        as_of=at,
        load=Load(sum(line.power_w or 0.0 for line in loads), None, loads),
        units=(),
        redundancy=Redundancy(
            spare, (), at, spare_margin_w, spare_margin_w / 27_000.0, 2, "w", LoadBasis.PEAK_30D, (line_2,)
        ),
        hold_up=HoldUps(hold, hold, lost, EndOfLife(hold, hold)),
        requirements=requirements,
        on_battery=on_battery,
    )


def overdue_bank(unit: str) -> BankState:
    """Return a judgement of a unit's bank that should have been renewed before the beginning."""
    return BankState(
        id=f"bank-{unit}",
        feeds=(unit,),
        fitted="Fell 18",
        capacity=Capacity(0.6, 0.5, 0.7, START, Basis.TESTED),
        asked_fraction=0.7,
        dates=ReplacementDates(None, None, date(2026, 9, 1)),
        charging=ChargingVerdict(Verdict.ADEQUATE, ()),
        effective_age_years=7.8,
        discharges=(),
        shown_to_carry=None,
    )
