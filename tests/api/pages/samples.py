"""Invented sheets to render: one estate of our own making in the situations a page must survive."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

from collector.messaging.delivery.letter import Telling
from collector.read_model.sheet import (
    CardHealth,
    EventLine,
    Fed,
    Foretold,
    ScoredOutage,
    Shedding,
    Sheet,
    ShownAcknowledgement,
    ShownAlarm,
    ShownCard,
    ShownEvent,
    ShownIsolation,
    ShownOutage,
    ShownScore,
    ShownUnit,
    StartAttempt,
    SupplyReturn,
)
from rules.battery.state import (
    AgeSpan,
    BankState,
    Capacity,
    ChargingVerdict,
    ExpectedCapacity,
    JudgedDischarge,
    ReplacementDates,
    ShownToCarry,
    WouldTell,
)
from rules.planning.sizing.replacement import LoadRecord, Sizes, next_size, wanted_of
from rules.plant.estate import (
    Bank,
    Card,
    Estate,
    FittedBank,
    FittedUnit,
    Generator,
    PowerTable,
    Purpose,
    Requirement,
    Site,
    Supply,
    System,
    Unit,
)
from rules.plant.reading import (
    BatteryReading,
    BatteryStatus,
    BypassLine,
    BypassReading,
    Doubt,
    DoubtKind,
    InputLine,
    InputReading,
    Nameplate,
    OutputLine,
    OutputReading,
    OutputSource,
    Reading,
    SelfTest,
    Stamp,
    TestResult,
)
from rules.system.hold_up.judgement import BankEnds
from rules.system.load.peaks import DayPeak, LineHistory
from rules.system.state import (
    UNKNOWN_HOLD_UP,
    Against,
    BridgeStep,
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
    Standing,
    SystemState,
    UnitLost,
    UnitStanding,
)
from rules.system.work import Unexpected, UnitWork, Unplanned, WorkStage, WorkStep
from rules.values.code import Code
from rules.values.reason import reason, told
from rules.values.verdict import Basis, EndedBy, Verdict

NOW = datetime(2026, 11, 24, 14, 32, 10, tzinfo=UTC)
SILENT_AT = NOW - timedelta(hours=3, minutes=12, seconds=6)
HOSTILE = "<script>alert('x')</script>\"&'\x07\u202e onload=\"y\" <img src=x onerror=z>"

TABLE = PowerTable(1.67, ((5, 126.0), (10, 88.0), (15, 68.0), (30, 41.0), (60, 24.0)))


def bank_of(name: str, unit: str, *, cells: int, blocks: str, since: date) -> Bank:
    fitted = FittedBank(since, None, blocks, cells // 6, 1.67, 18.0, 20.0, (TABLE,), 10.0)
    return Bank(name, (unit,), cells, 1, (fitted,))


def unit_of(name: str, system: str, va: float, w: float, *, hold_off_s: float = 0.0, lines: int = 3) -> Unit:
    order = (1, 2, 3) if lines == 3 else (1,)
    fitted = FittedUnit(date(2018, 9, 1), None, f"Hartmoor {va / 1000:g}", va, w)
    return Unit(name, system, lines, order, (fitted,), hold_off_s=hold_off_s)


def estate(note: str = "") -> Estate:
    """Return the estate of a water company that does not exist."""
    control = System("control", f"Control centre{note}", "valley", "a", board="main board A", spare_units=1)
    works = System(
        "works",
        f"Treatment works{note}",
        "valley",
        "b",
        board="main board B",
        spare_units=1,
        requirements=(Requirement("hand", Purpose.MANUAL_GENERATOR_START, None),),
    )
    depot = System("depot", f"Depot{note}", "valley", "c")
    units = [
        unit_of("A1", "control", 30_000, 27_000),
        unit_of("A2", "control", 30_000, 27_000, hold_off_s=30),
        unit_of("W1", "works", 20_000, 16_000),
        unit_of("W2", "works", 20_000, 16_000, hold_off_s=30),
        unit_of("W3", "works", 20_000, 16_000, hold_off_s=60),
        unit_of("D1", "depot", 10_000, 9_000, lines=1),
    ]
    banks = [
        bank_of("1", "W1", cells=192, blocks="12 V 18 Ah", since=date(2021, 3, 14)),
        bank_of("2", "W2", cells=192, blocks="12 V 18 Ah", since=date(2021, 3, 14)),
        bank_of("3", "W3", cells=192, blocks="12 V 18 Ah", since=date(2018, 9, 18)),
        bank_of("A-1", "A1", cells=240, blocks="12 V 24 Ah", since=date(2023, 5, 26)),
        bank_of("A-2", "A2", cells=240, blocks="12 V 24 Ah", since=date(2023, 5, 26)),
        bank_of("D", "D1", cells=120, blocks="12 V 9 Ah", since=date(2019, 6, 14)),
    ]
    generators = [
        Generator("set A", 64_000, 5, 3, 15, 15, 12, 3, hand_start_s=315),
        Generator("set B", 80_000, 5, 3, 15, 15, 12, 3, hand_start_s=375, fuel_hours=20),
    ]
    return Estate(
        {"valley": Site("valley", "Fellbeck", "Europe/London")},
        {
            "a": Supply("a", "valley", "set A"),
            "b": Supply("b", "valley", "set B"),
            "c": Supply("c", "valley"),
        },
        {g.id: g for g in generators},
        {s.id: s for s in (control, works, depot)},
        {u.id: u for u in units},
        {f"card {u.id}": Card(f"card {u.id}", (u.id,)) for u in units},
        {b.id: b for b in banks},
    )


def held(low_min: float, mid_min: float, high_min: float, basis: Basis = Basis.TESTED) -> HoldUp:
    return HoldUp(low_min * 60, mid_min * 60, high_min * 60, EndedBy.BANK, basis)


def _load(lines: Sequence[tuple[float, float]]) -> Load:
    rows = tuple(LineLoad(n + 1, w * 1000, va * 1000) for n, (w, va) in enumerate(lines))
    return Load(sum(w for w, _ in lines) * 1000, sum(va for _, va in lines) * 1000, rows)


def _rows(
    lines: Sequence[tuple[float, float, float, float]], limit_w: float, limit_va: float
) -> tuple[LineRedundancy, ...]:
    return tuple(
        LineRedundancy(n + 1, w * 1000, va * 1000, pw * 1000, pva * 1000, limit_w, limit_va)
        for n, (w, pw, va, pva) in enumerate(lines)
    )


CONTROL_LINES = ((6.9, 7.4, 7.3, 7.8), (5.2, 5.6, 5.6, 6.0), (6.1, 6.5, 6.5, 6.9))
WORKS_LINES = ((8.6, 9.2, 9.3, 9.9), (10.2, 11.1, 10.9, 11.9), (8.2, 8.8, 8.9, 9.5))


def control_state(now: datetime = NOW) -> SystemState:
    """Return a system that rides through, and would with either unit lost."""
    lost = held(14.6, 15.9, 17.1)
    need = RequirementVerdict(
        "hand",
        Purpose.MANUAL_GENERATOR_START,
        480.0,
        Against.ONE_UNIT_LOST,
        Verdict.ADEQUATE,
        (told("The least it holds with either unit lost is 14.6 min"),),
        now,
        396.0,
        (
            BridgeStep("detect", 5, 5),
            BridgeStep("starts", 75, 75),
            BridgeStep("hand_start", 315),
            BridgeStep("run_up", 12, 12),
            BridgeStep("changeover", 3, 3),
            BridgeStep("accept", 20, 19),
            BridgeStep("hold_off", 30, 30),
            BridgeStep("walk_in", 20, 20),
        ),
    )
    return SystemState(
        "control",
        "Control centre",
        "valley",
        now,
        _load([(w, va) for w, _, va, _ in CONTROL_LINES]),
        (
            UnitStanding("A1", Standing.CARRYING, 0.51, now - timedelta(seconds=6)),
            UnitStanding("A2", Standing.CARRYING, 0.49, now - timedelta(seconds=4)),
        ),
        Redundancy(
            Verdict.ADEQUATE,
            (told("Every line passes in watts and in volt-amperes"),),
            now,
            1600.0,
            0.178,
            1,
            "w",
            LoadBasis.PEAK_30D,
            _rows(CONTROL_LINES, 9000.0, 10_000.0),
        ),
        HoldUps(
            held(37.9, 40.5, 43.1),
            lost,
            (UnitLost("A1", lost), UnitLost("A2", lost)),
            EndOfLife(held(35.4, 35.4, 35.4), held(14.2, 14.2, 14.2)),
        ),
        (need,),
        None,
        (told("that the generator carries this load when it is cold"),),
    )


def works_state(now: datetime = NOW) -> SystemState:
    """Return a system that is short with unit 1 or 2 lost."""
    steps = (
        BridgeStep("detect", 5, 5),
        BridgeStep("starts", 75, 75),
        BridgeStep("hand_start", 375, 304),
        BridgeStep("run_up", 12, 12),
        BridgeStep("changeover", 3, 3),
        BridgeStep("accept", 20, 20),
        BridgeStep("hold_off", 60, 60),
        BridgeStep("walk_in", 20, 20),
    )
    auto = tuple(s for s in steps if s.step != "hand_start")
    lost = held(7.8, 8.8, 9.8)
    return SystemState(
        "works",
        "Treatment works",
        "valley",
        now,
        _load([(w, va) for w, _, va, _ in WORKS_LINES]),
        (
            UnitStanding("W1", Standing.CARRYING, 0.341, now - timedelta(seconds=4)),
            UnitStanding("W2", Standing.CARRYING, 0.333, now - timedelta(seconds=9)),
            UnitStanding("W3", Standing.CARRYING, 0.326, now - timedelta(seconds=6)),
        ),
        Redundancy(
            Verdict.INADEQUATE,
            (told("Not on L2: at the peak it asks 11.1 kW of two units that carry 10.66"),),
            now,
            -434.0,
            -0.041,
            2,
            "w",
            LoadBasis.PEAK_30D,
            _rows(WORKS_LINES, 32_000 / 3, 40_000 / 3),
        ),
        HoldUps(
            held(17.1, 18.1, 19.0),
            lost,
            (UnitLost("W1", lost), UnitLost("W2", lost), UnitLost("W3", held(10.5, 11.1, 11.6))),
            EndOfLife(held(18.6, 18.6, 18.6), held(10.4, 10.4, 10.4)),
        ),
        (
            RequirementVerdict(
                "auto",
                Purpose.GENERATOR_START,
                195.0,
                Against.ONE_UNIT_LOST,
                Verdict.ADEQUATE,
                (told("Three automatic starts need 3.3 min and are held even with a unit lost"),),
                now,
                273.0,
                auto,
            ),
            RequirementVerdict(
                "hand",
                Purpose.MANUAL_GENERATOR_START,
                570.0,
                Against.ONE_UNIT_LOST,
                Verdict.INADEQUATE,
                (told("Starting the generator by hand is held with all units, not with unit W1 or W2 lost"),),
                now,
                -102.0,
                steps,
            ),
        ),
        None,
        (told("the state of the generator’s own battery"), told("that the switchboard changes over")),
    )


def depot_state(now: datetime = NOW, *, silent: bool = True) -> SystemState:
    """Return a system that cannot be judged: silent, or never yet shown to carry its load."""
    why = (
        "Silent since 11:20:04, and never yet seen on battery"
        if silent
        else "Never shown to carry it: no discharge within 12 months"
    )
    return SystemState(
        "depot",
        "Depot",
        "valley",
        now,
        Load(None, None, (LineLoad(1, None, None),)) if silent else _load([(3.1, 3.3)]),
        (
            UnitStanding(
                "D1",
                Standing.SILENT if silent else Standing.CARRYING,
                None if silent else 1.0,
                SILENT_AT if silent else now - timedelta(seconds=5),
            ),
        ),
        None,
        HoldUps(
            UNKNOWN_HOLD_UP if silent else held(18.0, 24.0, 31.0, Basis.TABLE),
            UNKNOWN_HOLD_UP,
            (),
            EndOfLife(UNKNOWN_HOLD_UP, UNKNOWN_HOLD_UP),
        ),
        (
            RequirementVerdict(
                "close",
                Purpose.ORDERLY_SHUTDOWN,
                360.0,
                Against.NOW,
                Verdict.CANNOT_TELL,
                (told(why),),
                None,
                None,
            ),
        ),
        None,
    )


def reading(
    unit: str,
    at: datetime,
    lines: Sequence[tuple[float, float]],
    *,
    on_battery_s: float | None = None,
    text: str = "Hartmoor 20",
    doubts: tuple[Doubt, ...] = (),
) -> Reading:
    """Return a whole reading; `lines` in kW and kVA."""
    out = tuple(
        OutputLine(n + 1, 230.0, va * 1000 / 230, w * 1000, round(w * 15)) for n, (w, va) in enumerate(lines)
    )
    lit = on_battery_s is not None
    return Reading(
        unit,
        Stamp(at, 1000.0, "run-1"),
        agent_uptime_s=86_400.0,
        battery=BatteryReading(
            BatteryStatus.NORMAL,
            on_battery_s or 0.0,
            1260.0,
            96.0 if lit else 100.0,
            391.2 if lit else 436.8,
            25.4 if lit else 0.0,
            24.0,
        ),
        input=InputReading(
            3,
            tuple(
                InputLine(n + 1, 50.0, 0.4 if lit else 231.0, 0.0 if lit else 21.0, 0.0 if lit else w * 1065)
                for n, (w, _) in enumerate(lines)
            ),
        ),
        output=OutputReading(OutputSource.BATTERY if lit else OutputSource.NORMAL, 50.0, out),
        bypass=BypassReading(50.0, tuple(BypassLine(n + 1, 229.6, 0.0, 0.0) for n in range(len(lines)))),
        card_alarms=("upsAlarmOnBattery",) if lit else (),
        test=SelfTest(TestResult.PASS),
        nameplate=Nameplate(
            "Hartmoor", text, "4.1", "2.0.7", 230.0, 50.0, 230.0, 50.0, 20_000.0, 16_000.0, 300.0
        ),
        doubts=doubts,
        missing=("upsBypassCurrent",),
        part_at={"nameplate": at - timedelta(minutes=7), "bypass": at - timedelta(seconds=40)},
    )


TENTHS = Doubt("upsOutputVoltage", DoubtKind.SCALE, "the card reports tenths of a volt", 2300, 230.0, 1)
STUCK = Doubt(
    "upsEstimatedMinutesRemaining", DoubtKind.STUCK, "stood at 21 through 8 min on battery", 21, None
)


def _reads(now: datetime) -> tuple[ShownCard, ...]:
    return tuple(
        ShownCard(
            now - timedelta(seconds=10 * n + 4),
            None if n in {31, 32} else 0.11 + 0.05 * (n * 7 % 5),
            24,
            "no answer within 2 s, asked again" if n in {31, 32} else None,
        )
        for n in range(88, -1, -1)
    )


def _view(
    unit: str, now: datetime, lines: Sequence[tuple[float, float]], ago_s: float, **more: object
) -> ShownUnit:
    doubts = (TENTHS, STUCK) if unit == "W3" else ()
    lit = more.get("lit")
    taken = reading(
        unit,
        now - timedelta(seconds=ago_s),
        lines,
        doubts=doubts,
        on_battery_s=float(str(lit)) if lit else None,
    )
    health = CardHealth(f"card {unit}", answering=True, reads=8640, unanswered=11, answer_s=0.16, poll_s=10.0)
    return ShownUnit(unit, taken, ago_s, card=health, reads=_reads(now))


def views(now: datetime = NOW, *, silent: bool = True, lit: bool = False) -> tuple[ShownUnit, ...]:
    """Return what is known of each unit."""
    since = 165.0 if lit else None
    works = [
        _view("W1", now, ((2.9, 3.15), (3.5, 3.75), (2.8, 3.05)), 4, lit=since),
        _view("W2", now, ((2.9, 3.1), (3.4, 3.6), (2.7, 2.95)), 9, lit=since),
        _view("W3", now, ((2.8, 3.05), (3.3, 3.55), (2.7, 2.9)), 6, lit=since),
    ]
    control = [
        _view("A1", now, ((3.5, 3.7), (2.6, 2.8), (3.1, 3.3)), 6),
        _view("A2", now, ((3.4, 3.6), (2.6, 2.8), (3.0, 3.2)), 4),
    ]
    at = SILENT_AT if silent else now - timedelta(seconds=5)
    last = replace(
        reading("D1", at, ((3.1, 3.3),), text="Hartmoor 10"),
        battery=BatteryReading(BatteryStatus.UNKNOWN, None, 2460.0, 100.0, None, None, None),
    )
    depot = ShownUnit(
        "D1",
        last,
        (now - at).total_seconds(),
        silent_since=SILENT_AT if silent else None,
        why_silent="no answer within 2 s, six times" if silent else None,
        card=CardHealth("card D1", answering=not silent, reads=7900, unanswered=1150, poll_s=60.0),
    )
    return (*control, *works, depot)


def banks() -> tuple[BankState, ...]:
    """Return the banks: one overdue, four well, one that only its age speaks for."""

    def seen(*rows: tuple[date, float, float, float, float, str]) -> tuple[JudgedDischarge, ...]:
        return tuple(
            JudgedDischarge(datetime(d.year, d.month, d.day, 2, 14, tzinfo=UTC), kind, depth, c, lo, hi)
            for d, depth, c, lo, hi, kind in rows
        )

    old = seen(
        (date(2018, 9, 18), 1.0, 1.01, 0.99, 1.03, "acceptance"),
        (date(2020, 3, 11), 0.12, 0.98, 0.91, 1.05, "outage"),
        (date(2021, 11, 27), 0.24, 0.97, 0.91, 1.03, "outage"),
        (date(2023, 2, 14), 0.38, 0.94, 0.89, 0.99, "test"),
        (date(2024, 6, 30), 0.21, 0.89, 0.83, 0.95, "outage"),
        (date(2025, 7, 22), 0.26, 0.82, 0.76, 0.88, "import"),
        (date(2026, 10, 9), 0.35, 0.68, 0.60, 0.76, "outage"),
    )

    def young(last: float) -> tuple[JudgedDischarge, ...]:
        return seen(
            (date(2021, 3, 14), 1.0, 1.02, 1.0, 1.04, "acceptance"),
            (date(2023, 2, 14), 0.3, 0.98, 0.92, 1.04, "test"),
            (date(2025, 7, 22), 0.26, 0.9, 0.85, 0.96, "outage"),
            (date(2026, 10, 9), 0.3, last, last - 0.05, last + 0.05, "outage"),
        )

    newer = seen(
        (date(2023, 5, 26), 1.0, 1.01, 0.99, 1.03, "acceptance"),
        (date(2026, 3, 14), 0.27, 0.95, 0.87, 1.03, "outage"),
        (date(2026, 9, 2), 0.31, 0.92, 0.84, 1.0, "outage"),
    )
    fine = ChargingVerdict(Verdict.ADEQUATE, (told("2.27 V per cell at 24 °C suits this bank"),), 2.271)
    at = datetime(2026, 10, 9, 2, 30, tzinfo=UTC)

    def state(
        name: str,
        unit: str,
        fraction: float | None,
        shown: tuple[JudgedDischarge, ...],
        dates: tuple[date | None, date | None, date | None],
        *,
        age: float,
        asked: float | None = None,
    ) -> BankState:
        basis = Basis.TESTED if shown else Basis.TABLE
        low = None if fraction is None else shown[-1].low if shown else 0.5
        high = None if fraction is None else shown[-1].high if shown else 0.95
        return BankState(
            name,
            (unit,),
            "12 V 18 Ah",
            Capacity(fraction, low, high, at, basis),
            asked,
            ReplacementDates(
                *dates,
                falls_under_80=dates[0],
                ends_early=None if dates[0] is None else dates[0] - timedelta(days=280 if asked else 600),
                ends_late=None if dates[0] is None else dates[0] + timedelta(days=230 if asked else 560),
            ),
            fine if shown else ChargingVerdict(Verdict.CANNOT_TELL, (told("its card gives no voltage"),)),
            age,
            shown,
            ShownToCarry(at, 9000.0, 499.0) if shown else None,
        )

    return (
        state(
            "1", "W1", 0.88, young(0.88), (date(2029, 8, 1), date(2027, 11, 5), date(2027, 12, 31)), age=5.0
        ),
        state("2", "W2", 0.86, young(0.86), (date(2029, 2, 1), date(2027, 5, 5), date(2027, 6, 30)), age=5.3),
        state(
            "3",
            "W3",
            0.68,
            old,
            (date(2025, 9, 20), date(2026, 9, 1), date(2026, 10, 9)),
            age=10.8,
            asked=0.73,
        ),
        state("A-1", "A1", 0.93, newer, (date(2030, 9, 1), date(2028, 7, 6), date(2028, 8, 31)), age=3.3),
        state("A-2", "A2", 0.91, newer, (date(2030, 3, 1), date(2028, 1, 3), date(2028, 2, 28)), age=3.4),
        replace(
            state("D", "D1", 0.74, (), (None, None, None), age=8.1),
            dates=ReplacementDates(
                None, None, None, by_age_alone=AgeSpan(date(2026, 12, 1), date(2031, 4, 1))
            ),
            unproven=True,
            would_tell=(
                WouldTell(
                    told("Import a past test or discharge log of bank D."),
                    told("Its capacity as it was then."),
                ),
                WouldTell(
                    told("Let bank D carry today's load for 5 min."), told("Capacity to about 6 points.")
                ),
            ),
        ),
    )


def forecasts() -> dict[str, tuple[ExpectedCapacity, ...]]:
    """Return capacities to be expected."""

    def course(*rows: tuple[int, float, float, float]) -> tuple[ExpectedCapacity, ...]:
        return tuple(ExpectedCapacity(date(y, 7, 1), m, lo, hi) for y, m, lo, hi in rows)

    return {
        "1": course(
            (2027, 0.864, 0.815, 0.916),
            (2028, 0.845, 0.79, 0.906),
            (2030, 0.79, 0.68, 0.875),
            (2031, 0.71, 0.54, 0.80),
            (2032, 0.66, 0.43, 0.76),
        ),
        "2": course(
            (2027, 0.844, 0.80, 0.895),
            (2028, 0.818, 0.75, 0.875),
            (2029, 0.80, 0.70, 0.856),
            (2030, 0.725, 0.54, 0.80),
            (2032, 0.62, 0.40, 0.72),
        ),
        "3": course((2027, 0.58, 0.46, 0.69), (2028, 0.48, 0.40, 0.62), (2029, 0.41, 0.40, 0.54)),
        "A-1": course(
            (2027, 0.90, 0.83, 0.98),
            (2029, 0.85, 0.78, 0.94),
            (2031, 0.79, 0.66, 0.87),
            (2033, 0.7, 0.5, 0.8),
        ),
        "A-2": course(
            (2027, 0.89, 0.82, 0.97),
            (2028, 0.86, 0.79, 0.95),
            (2030, 0.8, 0.7, 0.88),
            (2032, 0.72, 0.55, 0.8),
        ),
        "D": course(
            (2026, 0.74, 0.5, 0.95), (2028, 0.66, 0.4, 0.9), (2032, 0.5, 0.3, 0.79), (2034, 0.45, 0.2, 0.7)
        ),
    }


def alarms(note: str = "") -> tuple[ShownAlarm, ...]:
    """Return three that stand, one gone unseen, one shelved."""
    mail = Telling("duty controller", "mail", NOW - timedelta(days=46), "delivered")
    return (
        ShownAlarm(
            "al-1",
            "works",
            f"Treatment works would drop its load if a unit failed in an outage that needs a hand start.{note}",
            f"Renew bank 3: 32 blocks, 12 V 18 Ah. That alone gives back +1.0 min. Until then, shed the 6 kW of the laboratory and blower controls within 3 min of a failure: +0.5 min.{note}",
            "major",
            "active_acknowledged",
            datetime(2026, 10, 9, 2, 10, tzinfo=UTC),
            by_when=date(2026, 11, 24),
            by_when_text="Order now",
            acknowledged=ShownAcknowledgement(
                "R. Haugen", datetime(2026, 10, 9, 7, 12, tzinfo=UTC), note or None
            ),
            told=(mail,),
            do_first="Renew bank 3",
            incident="in-1",
        ),
        ShownAlarm(
            "al-2",
            "D1",
            f"Depot has not answered for 3 h 12 min, so nothing can be said about it.{note}",
            "Ring the depot and ask whether the cabinet’s display is lit. Lit: restart its network card. Dark: treat as supply lost and go.",
            "major",
            "active_unacknowledged",
            SILENT_AT,
            by_when=datetime(2026, 11, 24, 17, 0, tzinfo=UTC),
            by_when_text="Before 17:00 today, while someone is there",
            told=(
                Telling("duty phone", "webhook", SILENT_AT + timedelta(minutes=2), "delivered"),
                Telling("duty phone", "webhook", SILENT_AT + timedelta(minutes=32), "repeated"),
            ),
            counted=2,
            do_first="Ring the depot and ask whether the cabinet’s display is lit",
        ),
        ShownAlarm(
            "al-3",
            "works",
            "Line 2 at treatment works asks 0.44 kW more at its peak than two units carry.",
            "Move 0.5 kW or more from L2 to L3. The laboratory ring (0.9 kW, L2) is the nearest single circuit.",
            "minor",
            "active_acknowledged",
            datetime(2026, 11, 2, 10, 40, tzinfo=UTC),
            by_when=date(2026, 12, 12),
            acknowledged=ShownAcknowledgement("R. Haugen", datetime(2026, 11, 2, 11, 5, tzinfo=UTC)),
            do_first="Move 0.5 kW or more from L2 to L3",
            told=(mail,),
        ),
        ShownAlarm(
            "al-4",
            "A1",
            "Control centre unit A1 was on static bypass for 9 s.",
            "Look at its log before the next maintenance: on bypass there is no battery behind the load.",
            "warning",
            "returned_unacknowledged",
            datetime(2026, 11, 23, 22, 10, 31, tzinfo=UTC),
            until=datetime(2026, 11, 23, 22, 10, 40, tzinfo=UTC),
            do_first="Look at its log before the next maintenance",
            told=(mail,),
        ),
        ShownAlarm(
            "al-5",
            "W2",
            "Unit W2 cabinet at treatment works is warm: 38 °C, limit 35.",
            "Fan on order, number 4471.",
            "minor",
            "shelved",
            datetime(2026, 11, 20, 13, 5, tzinfo=UTC),
            shelved_until=datetime(2026, 11, 27, 8, 0, tzinfo=UTC),
            do_first="Fan on order, number 4471",
            acknowledged=ShownAcknowledgement("M. Okafor", datetime(2026, 11, 20, 13, 30, tzinfo=UTC)),
        ),
    )


def past_outage() -> ShownEvent:
    """Return an outage whose generator failed three starts and was started by hand."""
    lost = datetime(2026, 10, 9, 1, 14, 7, tzinfo=UTC)

    def after(seconds: float) -> datetime:
        return lost + timedelta(seconds=seconds)

    fed: list[Fed] = []
    for n, unit in enumerate(("W1", "W2", "W3")):
        fed += [
            Fed(unit, after(-10), "mains"),
            Fed(unit, lost, "banks"),
            Fed(unit, after(439 + 30 * n), "generator"),
        ]
    starts = tuple(StartAttempt(after(a), after(a + 15), worked=False) for a in (5, 35, 65))
    return ShownEvent(
        "ev-1",
        lost,
        "outage",
        "Carried, without a dip. The generator failed three starts and was started by hand; the banks held 8 min 19 s.",
        "works",
        after(2_700),
        499.0,
        570.0,
        carried=True,
        fed=tuple(fed),
        starts=(*starts, StartAttempt(after(375), after(384), worked=True, by_hand=True)),
        lines=(
            EventLine(
                lost,
                "Mains lost at main board B. All three units on their banks, 27.1 kW. Held then to last 17.2 min at the least.",
            ),
            EventLine(
                after(5),
                "Set called. Three starts of 15 s fail. Duty phone told 02:15:29, answered 02:15:51.",
            ),
            EventLine(after(375), "R. Haugen at the generator. Started by hand in 9 s."),
            EventLine(after(499), "Last unit walked in. 8 min 19 s on the banks; bank 3 taken 35 % deep."),
        ),
        foretold=(
            Foretold("need", "9:30 allowed", "8:19", inside=True, remark="1:11 inside"),
            Foretold("three units hold", "17.2 to 19.8 min", "not put to the end", inside=None),
            Foretold("bank 3 at 8:19", "366 to 376 V", "364.9 V", inside=False, remark="outside, below"),
        ),
        notices=31,
        messages=3,
    )


def events() -> tuple[ShownEvent, ...]:
    """Return the journal's power events."""
    test = ShownEvent(
        "ev-0",
        datetime(2026, 9, 2, 9, 0, tzinfo=UTC),
        "test",
        "Battery test, 31 % deep, both banks.",
        "control",
        took_s=720.0,
    )
    return (test, past_outage())


def returns() -> tuple[SupplyReturn, ...]:
    """Return two outages: of the one nobody knows what ended it."""
    known = SupplyReturn(
        "a", "Control centre", "power-1", NOW - timedelta(days=9), "Back on the generator.", known=True
    )
    why = "Returned after 18 s, source not known: mark it."
    return (
        known,
        SupplyReturn("b", "Treatment works", "power-2", NOW - timedelta(hours=5), why, known=False),
    )


def good() -> Sheet:
    """Return one system that holds and nothing else: the quiet page."""
    only = {"control"}
    whole = estate()
    calm = replace(
        whole,
        systems={"control": whole.systems["control"]},
        units={k: u for k, u in whole.units.items() if u.system in only},
        banks={k: b for k, b in whole.banks.items() if k.startswith("A")},
        cards={k: c for k, c in whole.cards.items() if c.covers[0].startswith("A")},
    )
    return Sheet(
        NOW,
        "Fellbeck Water",
        calm,
        (control_state(),),
        tuple(b for b in banks() if b.id.startswith("A")),
        tuple(v for v in views() if v.id.startswith("A")),
        forecasts=forecasts(),
        estate_file="fellbeck.toml",
    )


def short() -> Sheet:
    """Return the whole estate on a bad day: one system good, one short, one silent."""
    return Sheet(
        NOW,
        "Fellbeck Water",
        estate(),
        (control_state(), works_state(), depot_state()),
        banks(),
        views(),
        alarms(),
        events(),
        {"works": (BankEnds("bank 3", 900.0, 15.84 * 60, 1000.0, 1.0, 0.157),)},
        forecasts=forecasts(),
        isolations=isolations(),
        returns=returns(),
        sizes=sizes(),
        score=score(),
        estate_file="fellbeck.toml",
        acts=True,
        demonstration=True,
    )


def sizes(years: int = 3, energy_price_per_kwh: float | None = 0.2) -> dict[str, Sizes]:
    """Return what sizes suit the works: some years of a load that grows by 200 W a year on each line, July highest."""
    rows = [(n, w * 1000, va * 1000) for n, (_, w, _, va) in enumerate(WORKS_LINES, start=1)]
    days = tuple(
        DayPeak(
            (day := NOW.date() - timedelta(days=back)),
            tuple(
                LineLoad(
                    n,
                    w - 0.55 * back - 40.0 * abs(day.month - 7),
                    va - 0.55 * back - 40.0 * abs(day.month - 7),
                )
                for n, w, va in rows
            ),
        )
        for back in range(365 * years, 0, -1)
    )
    record = LoadRecord(
        tuple(LineHistory(n, 0.9 * w, 0.96 * w, w, va) for n, w, va in rows),
        days,
        dict.fromkeys((1, 2, 3), (10_667.0, 13_333.0)),
    )
    plant = estate()
    found = next_size(
        plant,
        "works",
        record,
        NOW.date(),
        replace(wanted_of(plant, "works"), energy_price_per_kwh=energy_price_per_kwh),
        state=works_state(),
        coldest_c={"1": 12.0},
    )
    assert found is not None
    return {"works": found}


def isolations() -> tuple[ShownIsolation, ...]:
    """Return whether units may be taken out."""
    yours = (
        "Inverter and bypass in step",
        "Breakers and key interlocks where the schedule says",
        "Phase rotation at the wall bypass",
    )
    met = ("Units W1 and W2 normal, on mains, not on bypass", "No test running", "Mains steady for 24 h")
    return (
        ShownIsolation(
            "A1",
            "met",
            "As far as can be seen, yes. One unit carries every phase, and holds 14.6 min alone.",
            met,
            (),
            (),
            yours,
        ),
        ShownIsolation(
            "W3",
            "not_met",
            "Not by day: L2. At night, 22:00 to 05:00, L2 has stayed under 9.5 kW for 30 days.",
            met,
            ("L2 in watts: peak 11.1 kW, two units carry 10.66",),
            (),
            yours,
        ),
        ShownIsolation("D1", "cannot_tell", "Cannot tell: no reading since 11:20.", (), (), met, yours),
    )


def score() -> ShownScore:
    """Return three foretold hold-ups, one of them missed."""
    at = NOW - timedelta(days=1)
    return ShownScore(
        (
            ScoredOutage(at, "works", 1020, 1090, 1150, 1075),
            ScoredOutage(at + timedelta(hours=6), "control", 2200, 2400, 2600, 2650),
            ScoredOutage(at + timedelta(hours=12), "works", 500, 560, 610, 480),
        )
    )


def unknown() -> Sheet:
    """Return a depot that answers, but was never shown to carry its load; and a works whose peaks are not known."""
    works = works_state()
    bare = LineRedundancy(1, 8600.0, None, None, None, None, None)
    open_still = Redundancy(
        Verdict.CANNOT_TELL,
        (told("No rating is declared for unit W3"),),
        None,
        None,
        None,
        None,
        None,
        LoadBasis.NOW,
        (bare, LineRedundancy(2, None, None, None, None, 10_000.0, None)),
    )
    return replace(
        short(),
        systems=(control_state(), replace(works, redundancy=open_still), depot_state(silent=False)),
        units=views(silent=False),
        alarms=(),
        events=(),
    )


def silent() -> Sheet:
    """Return an estate of which nothing was ever heard."""
    gone = tuple(
        replace(
            state,
            as_of=None,
            load=Load(None, None, tuple(LineLoad(row.line, None, None) for row in state.load.lines)),
            units=tuple(UnitStanding(u.id, Standing.SILENT, None, None) for u in state.units),
            redundancy=None
            if state.redundancy is None
            else Redundancy(
                Verdict.CANNOT_TELL,
                (told("No unit answers"),),
                None,
                None,
                None,
                None,
                None,
                LoadBasis.NOW,
                tuple(LineRedundancy(n, None, None, None, None, None, None) for n in (1, 2, 3)),
            ),
            hold_up=HoldUps(
                UNKNOWN_HOLD_UP, UNKNOWN_HOLD_UP, (), EndOfLife(UNKNOWN_HOLD_UP, UNKNOWN_HOLD_UP)
            ),
            requirements=tuple(
                replace(
                    need,
                    verdict=Verdict.CANNOT_TELL,
                    because=(told("No unit answers"),),
                    as_of=None,
                    margin_s=None,
                )
                for need in state.requirements
            ),
        )
        for state in (control_state(), works_state(), depot_state())
    )
    return Sheet(NOW, "Fellbeck Water", estate(), gone, (), tuple(ShownUnit(u) for u in estate().units))


def outage(after_s: float = 165.0, *, heard: bool = True, failed: int = 3) -> Sheet:
    """Return the works on its banks, `after_s` seconds after the mains failed."""
    lost = NOW
    now = lost + timedelta(seconds=after_s)
    end = 1020.0 * (1 - 0.04)
    state = replace(
        works_state(now),
        units=tuple(
            UnitStanding(
                u.id,
                Standing.ON_BATTERY if heard else Standing.SILENT,
                u.share_fraction,
                now - timedelta(seconds=3 if heard else 80),
            )
            for u in works_state().units
        ),
        on_battery=OnBattery(
            lost,
            lost + timedelta(seconds=end + 58),
            lost + timedelta(seconds=end + 154),
            lost + timedelta(seconds=end - 72),
            failed or None,
            None if heard else now - timedelta(seconds=80),
        ),
    )
    trace = tuple(
        (lost + timedelta(seconds=10.0 * n), 1 - 10.0 * n / 1086 + (0.003 if n % 2 else -0.003))
        for n in range(int((after_s if heard else after_s - 80) // 10) + 1)
    )
    starts = tuple(
        StartAttempt(lost + timedelta(seconds=a), lost + timedelta(seconds=a + 15), worked=False)
        for a in (5, 35, 65)[:failed]
    )
    known = ShownOutage(
        trace,
        1 - after_s / 1086,
        starts,
        readings=16,
        one_unit_lost_from_now=held(6.4, 7.0, 7.7),
        shedding=Shedding("laboratory and blower controls", 6000.0, lost + timedelta(seconds=1368)),
    )
    first = ShownAlarm(
        "al-9",
        "works",
        "Go to the generator and start it by hand.",
        "The third start failed at 14:33:30. Start battery first, then fuel valve, then the key to manual. The last unit is walked in 1 min 55 s after it runs.",
        "critical",
        "active_acknowledged",
        lost + timedelta(seconds=80),
        by_when=lost + timedelta(seconds=end - 72),
        acknowledged=ShownAcknowledgement("R. Haugen", lost + timedelta(seconds=119), "on the way"),
        told=(Telling("duty phone", "webhook", lost + timedelta(seconds=82), "answered"),),
        incident="in-2",
        counted=9,
        do_first="The third start failed at 14:33:30",
    )
    second = replace(
        alarms()[0],
        id="al-10",
        what="Shed the 6 kW of the laboratory and blower controls.",
        do="Moves the end to 14:54:58. Every minute of waiting costs about 25 s of that.",
        do_first="Moves the end to 14:54:58",
        state="active_unacknowledged",
        acknowledged=None,
        since=lost + timedelta(seconds=2),
        by_when=now,
        by_when_text="Now",
        told=(),
    )
    return replace(
        short(),
        now=now,
        systems=(control_state(now), state, depot_state(now)),
        units=views(now, lit=True),
        alarms=(first, second, *alarms()[1:]),
        outages={"works": known},
    )


def hostile() -> Sheet:
    """Return the estate with markup in every text a person or a card could have written."""
    base = short()
    dirty = estate(HOSTILE)
    named = tuple(
        replace(
            s,
            name=s.name + HOSTILE,
            requirements=tuple(replace(n, because=(told(HOSTILE),)) for n in s.requirements),
        )
        for s in base.systems
    )
    doubt = Doubt(HOSTILE, DoubtKind.TEXT, HOSTILE, HOSTILE, HOSTILE, 2)
    dirty_views = tuple(
        replace(
            v,
            reading=replace(
                v.reading,
                doubts=(doubt,),
                missing=(HOSTILE,),
                card_alarms=(HOSTILE,),
                nameplate=Nameplate(HOSTILE, HOSTILE, HOSTILE, HOSTILE),
            ),
            why_silent=HOSTILE if v.why_silent else None,
            card=replace(v.card, note=HOSTILE) if v.card else None,
        )
        if v.reading
        else v
        for v in base.units
    )
    story = replace(
        past_outage(),
        text=HOSTILE,
        lines=(EventLine(NOW, HOSTILE),),
        foretold=(Foretold(HOSTILE, HOSTILE, HOSTILE, inside=False, remark=HOSTILE),),
    )
    return replace(
        base,
        title=HOSTILE,
        estate=dirty,
        systems=named,
        units=dirty_views,
        alarms=tuple(
            replace(a, id=HOSTILE + a.id, told=(Telling(HOSTILE, HOSTILE, NOW, HOSTILE),))
            for a in alarms(HOSTILE)
        ),
        events=(story,),
        returns=tuple(replace(r, name=HOSTILE, incident=HOSTILE, because=HOSTILE) for r in returns()),
        isolations=tuple(
            replace(i, answer=HOSTILE, met=(HOSTILE,), person=(HOSTILE,)) for i in base.isolations
        ),
        estate_file=HOSTILE,
    )


def at_work(*, unplanned: bool = False, overdue: bool = False) -> Sheet:
    """Return the bad day with a unit of the works out for work: as planned, or not, or for too long."""
    sheet = short()
    begun = NOW - timedelta(hours=2)
    steps = (WorkStep(WorkStage.BEFORE, begun), WorkStep(WorkStage.OUT, begun + timedelta(minutes=7)))
    fell = Unexpected(
        Unplanned.LEFT,
        "W2",
        reason(Code.UNPLANNED_LEFT, "W2", was=Standing.CARRYING, standing=Standing.OFF),
    )
    work = UnitWork(
        "W3",
        begun,
        NOW - timedelta(minutes=5) if overdue else NOW + timedelta(hours=2),
        "R. Haugen",
        "fans <b>",
        WorkStage.OUT,
        reason(Code.WORK_OUT, "W3", standing=Standing.ISOLATED, carried_w=17_600.0),
        steps,
        (fell,) if unplanned else (),
        overdue,
    )
    systems = tuple(replace(s, work=(work,)) if s.id == "works" else s for s in sheet.systems)
    return replace(sheet, systems=systems)


def work_gone_wrong() -> Sheet:
    """Return the same when its time has passed and something happened that it does not explain."""
    return at_work(unplanned=True, overdue=True)


ALL = {
    "good": good,
    "short": short,
    "unknown": unknown,
    "silent": silent,
    "outage": outage,
    "hostile": hostile,
    "at work": at_work,
    "work gone wrong": work_gone_wrong,
}
