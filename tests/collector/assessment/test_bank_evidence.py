"""What a judgement of a bank rests on, gathered from ledger, history and the newest readings."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import cast

import pytest

from collector.assessment.bank_evidence import BankEvidenceBook, hand_readings
from collector.assessment.bank_history import BankHistory
from collector.assessment.evidence_files import imported_blocks
from collector.assessment.shown_discharges import show
from collector.recorder.current_state import Present
from collector.recorder.journal_lines import judgement_line
from collector.storage.history.store import Bucket, HistoryStore
from collector.storage.ledger import Ledger
from collector.storage.ledger.discharge_record import (
    DischargeRecord,
    DischargeRow,
    Phase,
    shown_id,
    to_evidence,
)
from collector.storage.ledger.records import Evidence
from rules.battery.assessment.bank import judge_bank
from rules.battery.assessment.evidence import BankEvidence
from rules.battery.assessment.replacement import BankDemand
from rules.battery.model.ageing import MonthTemperature
from rules.battery.model.inverter_losses import default_losses
from rules.battery.model.size_factors import coldest_of
from rules.battery.state import Blocks, LifeLesson
from rules.plant.estate import (
    Bank,
    Card,
    Estate,
    FittedBank,
    FittedUnit,
    PowerTable,
    Purpose,
    Site,
    Supply,
    System,
    Unit,
)
from rules.plant.reading import BatteryReading, OutputReading, OutputSource, Reading, Stamp
from rules.system.hold_up.judgement import HoldUpJudgement, unknown_hold_ups
from rules.system.state import Against, RequirementVerdict
from rules.values.verdict import Verdict
from tests.rules import sample_plants
from tests.rules.sample_plant import system_state

AT = datetime(2025, 3, 1, 10, tzinfo=UTC)
NOW = AT + timedelta(hours=2)
TABLE = PowerTable(1.67, ((5.0, 66.0), (10.0, 43.0), (15.0, 33.0), (30.0, 19.5), (60.0, 11.2)))
FITTED = FittedBank(date(2021, 1, 1), None, "T", 40, 1.67, 9.0, 20.0, (TABLE,), 10.0)
CABINET = FittedUnit(date(2020, 1, 1), None, "X", 30_000.0, 27_000.0)


def bank(n: int, fitted: FittedBank = FITTED) -> Bank:
    return Bank(f"b{n}", (f"A{n}",), 240, 1, (fitted,))


def estate(*banks: Bank) -> Estate:
    units = [b.feeds[0] for b in banks]
    return Estate(
        sites={"s": Site("s", "S", "UTC")},
        supplies={"m": Supply("m", "s")},
        generators={},
        systems={"A": System("A", "A", "s", "m")},
        units={u: Unit(u, "A", 1, (1,), (CABINET,)) for u in units},
        cards={u: Card(u, (u,)) for u in units},
        banks={b.id: b for b in banks},
    )


class NoHistory:
    """A store that holds nothing yet."""

    async def first(self, _unit: str) -> None:
        return None


def record(
    *, seconds: float = 600.0, kind: str = "outage", phase: Phase = Phase.RECHARGING
) -> DischargeRecord:
    on = [
        DischargeRow(10.0 + t, 480.0 - t / 60.0, 10.2, 24.0, 4400.0, True) for t in range(0, int(seconds), 5)
    ]
    before = [DischargeRow(5.0, 540.0, 0.0, 24.0, 4400.0, False)]
    after = [DischargeRow(10.0 + seconds + 60.0 * k, 530.0, -3.0, 24.0, 4400.0, False) for k in range(21)]
    return DischargeRecord(
        f"b1-{kind}",
        "b1",
        AT,
        kind,
        (*before, *on, *after),
        phase,
        10.0,
        5.0 + seconds,
        10.0 + seconds,
        "supply_back",
    )


@pytest.fixture
def present() -> Present:
    made = Present(estate(bank(1), bank(2), bank(3, replace(FITTED, type="other"))))
    for n, volts in ((1, 540.0), (2, 546.0), (3, 530.0)):
        made.readings[f"A{n}"] = Reading(
            f"A{n}",
            Stamp(NOW, 0.0, "one"),
            battery=BatteryReading(voltage_v=volts, temperature_c=24.0),
            output=OutputReading(source=OutputSource.NORMAL),
        )
    return made


def book(present: Present, ledger: Ledger) -> BankEvidenceBook:
    return BankEvidenceBook(present.estate, ledger, cast("HistoryStore", NoHistory()), present)


async def keep(ledger: Ledger, made: DischargeRecord) -> None:
    async with ledger.transaction() as tx:
        tx.save_evidence(to_evidence(made))


async def test_a_discharge_is_judged_anew_by_a_table_that_was_declared_later(
    present: Present, tmp_path: Path
) -> None:
    bare = replace(FITTED, constant_power=())
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        gathered = book(present, ledger)
        await keep(ledger, record())
        (ended,) = await gathered.unshown(bank(1, bare))
        generic = show(bank(1, bare), bare, ended, default_losses(27_000.0), (), None)
        assert generic is not None
        await gathered.keep_shown(ended, generic)
        assert await gathered.unshown(bank(1, bare)) == ()
        (again,) = await gathered.unshown(bank(1))  # the table came into the estate file
        shown = show(bank(1), FITTED, again, default_losses(27_000.0), (), None)
        assert shown is not None
        assert shown.used != pytest.approx(generic.used, rel=0.05)  # a share of another time
        await gathered.keep_shown(again, shown)
        assert await gathered.unshown(bank(1)) == ()


async def test_a_discharge_is_judged_once_when_it_has_ended(present: Present, tmp_path: Path) -> None:
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        gathered = book(present, ledger)
        await keep(ledger, record(phase=Phase.DISCHARGING))
        assert await gathered.unshown(bank(1)) == ()
        await keep(ledger, record())
        (ended,) = await gathered.unshown(bank(1))
        shown = show(bank(1), FITTED, ended, default_losses(27_000.0), (), None)
        assert shown is not None
        await gathered.keep_shown(ended, shown)
        assert await gathered.unshown(bank(1)) == ()


async def test_a_test_to_the_end_teaches_its_type_where_the_meter_shows_no_current_at_rest(
    present: Present, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = record(seconds=1800.0, kind="acceptance")
    falls = [replace(r, voltage_v=490.0 - 91.0 * (r.t_s / 1800.0) ** 4) for r in whole.rows if r.on_battery]
    rest = [replace(r, voltage_v=540.0) for r in whole.rows if not r.on_battery and r.t_s < whole.started_s]
    whole = replace(whole, rows=(*rest, *falls))
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        gathered = book(present, ledger)
        await keep(ledger, whole)
        missing = await gathered.missing(bank(1), whole)
        shown = show(bank(1), FITTED, whole, default_losses(27_000.0), (), None, missing)
        assert shown is not None
        assert shown.ended
        assert max(shown.missing or ()) > 0.0  # it stood at its float voltage, and no more is known
        await gathered.keep_shown(whole, shown)
        later = AT + timedelta(days=400)
        assert [one.own for one in await gathered.references(bank(1), later)] == [True]
        assert [one.own for one in await gathered.references(bank(2), later)] == [False]
        assert await gathered.references(bank(3, replace(FITTED, type="other")), later) == ()
        assert await gathered.references(bank(2), AT) == ()
        # who asks again has that one log read, and of no other bank anything, until something new is shown of it
        asked: list[str] = []
        read = ledger.evidence

        async def counted(of: str, *, since: datetime | None = None) -> tuple[Evidence, ...]:
            asked.append(of)
            return await read(of, since=since)

        monkeypatch.setattr(ledger, "evidence", counted)
        assert len(await gathered.references(bank(2), later)) == 1
        assert asked == ["b1"]
        async with ledger.transaction() as tx:
            tx.drop_evidence(shown_id(whole.id))
        assert await gathered.references(bank(2), later) == ()
        await gathered.keep_shown(whole, shown)
        assert len(await gathered.references(bank(2), later)) == 1


async def test_what_was_only_noted_counts_as_what_was_kept_and_is_not_kept(
    present: Present, tmp_path: Path
) -> None:
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        gathered = book(present, ledger)
        await keep(ledger, record())
        (ended,) = await gathered.unshown(bank(1))
        shown = show(bank(1), FITTED, ended, default_losses(27_000.0), (), None)
        assert shown is not None
        gathered.note_shown(ended, shown)
        evidence = await gathered.gather(bank(1), NOW)
        assert evidence is not None
        assert evidence.discharges == (shown,)
        assert await gathered.unshown(bank(1)) == ()
        assert len(await book(present, ledger).unshown(bank(1))) == 1


async def test_a_discharge_that_went_on_after_a_flicker_is_judged_anew(
    present: Present, tmp_path: Path
) -> None:
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        gathered = book(present, ledger)
        await keep(ledger, record(seconds=300.0))
        (ended,) = await gathered.unshown(bank(1))
        shown = show(bank(1), FITTED, ended, default_losses(27_000.0), (), None)
        assert shown is not None
        await gathered.keep_shown(ended, shown)
        await keep(ledger, record(seconds=900.0))
        (again,) = await gathered.unshown(bank(1))
        assert again.ended_s == 910.0


@pytest.mark.parametrize(
    ("lowest_v", "later_s", "fell"), [(405.0, 0.0, True), (405.0, 5.0, True), (405.0, 60.0, False), (470.0, 0.0, False)]
)  # fmt: skip
async def test_units_that_fall_because_another_came_to_its_end_have_no_failed_banks(
    present: Present, tmp_path: Path, lowest_v: float, later_s: float, fell: bool
) -> None:
    lost = replace(record(), phase=Phase.DONE, ended_how="output_lost")
    last = lost.discharge_rows[-1]
    rows = tuple(replace(row, voltage_v=lowest_v) if row.t_s == last.t_s else row for row in lost.rows)
    other = replace(lost, id="b2-outage", bank="b2", rows=rows, at=AT - timedelta(seconds=later_s))
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        await keep(ledger, lost)
        await keep(ledger, other)
        gathered = book(present, ledger)
        assert await gathered.fell_with_others(bank(1), lost) is fell
        assert not await gathered.fell_with_others(bank(1), replace(lost, ended_how="supply_back"))


async def test_a_blink_of_the_mains_is_no_discharge_to_judge(present: Present, tmp_path: Path) -> None:
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        await keep(ledger, record(seconds=5.0, kind="transfer"))
        assert await book(present, ledger).unshown(bank(1)) == ()


async def test_everything_known_of_a_bank_comes_together(present: Present, tmp_path: Path) -> None:
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        gathered = book(present, ledger)
        await keep(ledger, record())
        (ended,) = await gathered.unshown(bank(1))
        shown = show(bank(1), FITTED, ended, default_losses(27_000.0), (), None)
        assert shown is not None
        await gathered.keep_shown(ended, shown)
        text = "block,voltage_v\n" + "".join(f"{k},{13.5 if k else 11.0}\n" for k in range(40))
        async with ledger.transaction() as tx:
            tx.save_evidence(imported_blocks(present.estate, "b1", AT, "Ada", text=text, name="b.csv"))
        evidence = await gathered.gather(bank(1), NOW)
        assert evidence is not None
        assert evidence.discharges == (shown,)
        assert [reading.what for reading in evidence.hand] == ["voltage"]
        # twenty minutes at 3 A, of 9 Ah
        assert evidence.returned == pytest.approx(1.0 / 9.0, rel=0.02)
        assert [s.bank for s in evidence.siblings] == ["b2"]
        assert evidence.siblings[0].voltage_per_cell_v == pytest.approx(546.0 / 240.0)
        judged = judge_bank(evidence)
        assert judged.state.shown_to_carry is not None
        assert "block_out_of_line" in [f.kind for f in judged.state.findings]


async def test_what_the_other_banks_showed_of_their_life_comes_from_their_last_judgements(
    present: Present, tmp_path: Path
) -> None:
    one = LifeLesson(Blocks("b1", "T", "s", date(2021, 1, 1)), -0.4, 0.3)
    before = judge_bank(BankEvidence(bank(2), NOW, 24.0, discharges=(), rating_w=27_000.0))
    assert before.state.rests_on is not None
    told = replace(before.state, rests_on=replace(before.state.rests_on, teaches=(one,)))
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        fresh = book(present, ledger)
        evidence = await fresh.gather(bank(3), NOW)
        assert evidence is not None
        assert (evidence.site, evidence.lessons) == ("s", ())
        async with ledger.transaction() as tx:
            tx.add_judgement(judgement_line(replace(before, state=told)))
        started = book(present, ledger)  # as after a start: none was judged since
        evidence = await started.gather(bank(3), NOW)
        assert evidence is not None
        assert evidence.lessons == (one,)
        own = await started.gather(bank(2), NOW)
        assert own is not None
        assert own.lessons == ()
        newer = replace(told, rests_on=replace(before.state.rests_on, teaches=(replace(one, sd=0.2),)))
        present.banks["b2"] = newer
        evidence = await started.gather(bank(3), NOW)
        assert evidence is not None
        assert [lesson.sd for lesson in evidence.lessons] == [0.2]


def says(watts: float, at: datetime) -> HoldUpJudgement:
    return HoldUpJudgement(
        "A", at, 0, unknown_hold_ups(()), 2 * watts, bank_asked_w={"b1": watts, "b2": watts}
    )


async def test_what_is_asked_of_a_bank_is_that_of_its_system_at_rest_and_not_of_an_outage(
    present: Present, tmp_path: Path
) -> None:
    need = RequirementVerdict(
        "n", Purpose.ORDERLY_SHUTDOWN, 600.0, Against.NOW, Verdict.ADEQUATE, (), None, None
    )
    present.systems["A"] = replace(system_state("works", 0.0), requirements=(need,))
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        gathered = book(present, ledger)

        def asked_w() -> float:
            asked = gathered.asked(bank(1), NOW.date())
            assert asked is not None
            return asked.output_power_w

        present.hold_ups["A"] = says(4000.0, NOW)
        at_rest_w = asked_w()
        present.lit_at["A"] = NOW + timedelta(seconds=60)
        present.hold_ups["A"] = says(8000.0, NOW + timedelta(seconds=60))  # another unit's bank has ended
        assert asked_w() == at_rest_w
        present.hold_ups["A"] = says(6000.0, NOW + timedelta(seconds=100))  # the last unit walks in
        assert asked_w() == at_rest_w
        present.hold_ups["A"] = says(4400.0, NOW + timedelta(seconds=121))
        assert asked_w() == pytest.approx(1.1 * at_rest_w)


async def test_what_is_asked_of_a_bank_is_its_part_with_every_unit_in_service_also_while_one_is_out_for_work(
    tmp_path: Path,
) -> None:
    """Twice the load was said to be asked of a bank, and its dates moved, for the minute in which its partner was isolated."""
    plant = sample_plants.estate(2)
    present = Present(plant)
    need = RequirementVerdict(
        "n", Purpose.ORDERLY_SHUTDOWN, 600.0, Against.NOW, Verdict.ADEQUATE, (), None, None
    )
    present.systems["A"] = replace(system_state("works", 0.0), requirements=(need,))
    one, other = (found.id for found in plant.banks_of_system("A"))
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        gathered = book(present, ledger)

        def parts_w(asked_w: dict[str, float]) -> list[float | None]:
            whole = HoldUpJudgement("A", NOW, 0, unknown_hold_ups(()), 8000.0, bank_asked_w=asked_w)
            present.hold_ups["A"] = whole
            asked = [gathered.asked(plant.banks[name], NOW.date()) for name in (one, other)]
            return [None if found is None else found.shared_w for found in asked]

        assert parts_w({other: 8000.0}) == [4000.0, 4000.0], "also where nothing was known before"
        assert parts_w({one: 4000.0, other: 4000.0}) == [4000.0, 4000.0]
        assert parts_w({other: 8000.0}) == [4000.0, 4000.0]


async def test_a_bank_whose_unit_was_never_read_is_not_judged(tmp_path: Path) -> None:
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        assert await book(Present(estate(bank(1))), ledger).gather(bank(1), NOW) is None


def test_lines_of_other_kinds_are_no_hand_readings() -> None:
    assert hand_readings([to_evidence(record())]) == ()


def months(*means_c: float) -> list[MonthTemperature]:
    return [MonthTemperature(date(2024, k, 1), mean) for k, mean in enumerate(means_c, start=1)]


def test_the_coldest_month_of_a_year_is_the_coldest_a_bank_gets() -> None:
    assert coldest_of(months(19.0, 18.5, *[24.0] * 10), None) == 18.5


def test_a_summer_alone_does_not_say_how_cold_the_winter_gets() -> None:
    assert coldest_of(months(26.0, 27.0), None) == 15.0
    assert coldest_of(months(12.0), None) == 12.0


async def test_losses_are_learnt_from_three_discharges_of_ones_own(present: Present, tmp_path: Path) -> None:
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        gathered = book(present, ledger)
        made = show(bank(1), FITTED, record(), default_losses(27_000.0), (), None)
        assert made is not None
        for n in range(3):
            assert not (await gathered.losses(bank(1), NOW.date())).learnt
            # true losses: 600 W and 5 % of the power given
            output_w = 6_000.0 + 6_000.0 * n
            shown = replace(made, output_power_w=output_w, battery_power_w=output_w * 1.05 + 600.0)
            await gathered.keep_shown(replace(record(), id=f"b1-{n}"), shown)
        learnt = await gathered.losses(bank(1), NOW.date())
        assert learnt.learnt
        assert learnt.battery_power_w(12_000.0) == pytest.approx(13_200.0, rel=0.01)
        assert not (await gathered.losses(bank(2), NOW.date())).learnt


async def test_what_somebody_brings_is_told_once_by_bank_and_again_when_it_is_put_right(
    present: Present, tmp_path: Path
) -> None:
    text = "block,voltage_v\n1,13.5\n"
    line = imported_blocks(present.estate, "b1", AT, "Ada", text=text, name="b.csv")
    async with Ledger(tmp_path / "ledger.sqlite") as ledger, Ledger(tmp_path / "ledger.sqlite") as other:
        gathered = book(present, ledger)
        await keep(ledger, record())  # the service's own: nobody brought it
        newest, banks = await gathered.brought_after(0)
        assert banks == set()
        for _ in range(2):
            async with other.transaction() as tx:
                tx.save_evidence(line)
            brought_until, banks = await gathered.brought_after(newest)
            assert banks == {"b1"}
            assert brought_until > newest
            newest = brought_until
            assert await gathered.brought_after(newest) == (newest, frozenset())


class Warmed:
    """A history that knows some days, and counts the questions about them."""

    def __init__(self, days: dict[date, float]) -> None:
        self.days = days
        self.asked: list[tuple[datetime, datetime]] = []

    async def series(
        self, _unit: str, quantity: str, *, line: int | None, start: datetime, end: datetime, points: int
    ) -> tuple[Bucket, ...]:
        assert line is None
        if quantity != "battery_temperature_c":
            return ()
        self.asked.append((start, end))
        step = (end - start) / points
        moments = [start + n * step for n in range(points)]
        found = [(at, self.days.get(at.date())) for at in moments]
        return tuple(Bucket(at, mean, mean, mean, 0 if mean is None else 1, 1) for at, mean in found)


async def test_the_months_of_a_bank_are_asked_for_together_and_those_that_are_over_once() -> None:
    days = {date(2024, 12, 5): 20.0, date(2024, 12, 6): 22.0, date(2025, 2, 1): 24.0, date(2025, 3, 1): 25.0}
    history = Warmed(days)
    read = BankHistory(cast("HistoryStore", history))
    for _ in range(2):
        found = await read.month_temperatures(bank(1), FITTED, AT, AT - timedelta(days=2000))
        assert found == (
            MonthTemperature(date(2024, 12, 1), 21.0, 1.0),
            MonthTemperature(date(2025, 2, 1), 24.0, 0.0),
            MonthTemperature(date(2025, 3, 1), 25.0, 0.0),
        )
    spans = [(start.date(), end.date()) for start, end in history.asked]
    assert spans[0] == (date(2021, 1, 1), date(2025, 4, 1)), "51 months by one question"
    assert spans[1:] == [
        (date(2021, 1, 1), date(2024, 12, 1)),
        (date(2025, 1, 1), date(2025, 2, 1)),
        (date(2025, 3, 1), date(2025, 4, 1)),
    ], "what was known is not asked for again"


class Begun(Warmed):
    """A history that began at a moment, and counts the buckets that it was asked for."""

    def __init__(self, began: datetime) -> None:
        super().__init__({began.date(): 21.0})
        self.began = began
        self.buckets = 0
        self.questions = 0

    async def several(
        self, unit: str, quantities: Sequence[str], *, start: datetime, end: datetime, points: int
    ) -> tuple[tuple[Bucket, ...], ...]:
        self.buckets += points * (len(quantities) - 1)
        one = await self.series(unit, quantities[0], line=None, start=start, end=end, points=points)
        return (one,) * len(quantities)

    async def first(self, _unit: str) -> datetime:
        return self.began

    async def series(
        self, _unit: str, _quantity: str, *, line: int | None, start: datetime, end: datetime, points: int
    ) -> tuple[Bucket, ...]:
        self.buckets += points
        self.questions += 1
        assert line is None
        step = (end - start) / points
        return tuple(Bucket(start + n * step, 1.0, 1.0, 1.0, 1, 1) for n in range(points))


async def test_of_a_history_that_has_just_begun_only_what_there_is_is_asked_for(
    tmp_path: Path, present: Present
) -> None:
    """Of a bank of four years the first minute asked for 1,600 days and 14 days by the hour, four times."""
    history = Begun(NOW)
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        book = BankEvidenceBook(present.estate, ledger, cast("HistoryStore", history), present)
        found = await book.gather(bank(1), NOW)
    assert found is not None
    assert [hour.at for hour in found.hours] == [NOW.replace(minute=0, second=0, microsecond=0)]
    assert [month.first_day for month in found.months] == [NOW.date().replace(day=1)]
    assert history.buckets <= 31 + 4
    assert history.questions == 2, "its month, and all that tells how it is kept"


def stuck(name: str) -> DischargeRecord:
    """Return a log of which the voltmeter stood still at 470 V, so that it seems to have drawn a fifth more than it did."""
    made = record(seconds=1500.0, kind="import")
    rows = tuple(
        replace(row, voltage_v=470.0, current_a=11.2 if row.on_battery else 0.0) for row in made.rows
    )
    return replace(made, id=name, rows=rows)


async def test_a_log_that_is_refused_teaches_nothing(present: Present, tmp_path: Path) -> None:
    """Neither the losses of its inverter, by which sizes are advised, nor its type's curve, nor that it carried at all."""
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        gathered, small = book(present, ledger), BankDemand(3600.0, 8_000.0, NOW.date())
        asked = await gathered.gather(bank(1), NOW)
        assert asked is not None
        before = judge_bank(replace(asked, asked=small, rating_w=27_000.0))
        assert before.state.offers
        for n in range(3):
            made = replace(stuck(f"log-{n}"), at=AT - timedelta(days=40 * n))
            await keep(ledger, made)
            shown = show(bank(1), FITTED, made, default_losses(27_000.0), (), None)
            assert shown is not None
            assert shown.refused
            await gathered.keep_shown(made, shown)
        assert await gathered.losses(bank(1), NOW.date()) == default_losses(27_000.0)
        assert await gathered.references(bank(1), NOW) == ()
        evidence = await gathered.gather(bank(1), NOW)
        assert evidence is not None
        assert len(evidence.discharges) == 3
        after = judge_bank(replace(evidence, asked=small, rating_w=27_000.0, recharge=None))
        assert after.state.offers == before.state.offers
        assert after.state.shown_to_carry is None
        assert after.state.unproven


async def test_a_current_that_is_not_believed_says_nothing_of_losses(
    present: Present, tmp_path: Path
) -> None:
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        gathered = book(present, ledger)
        for n in range(3):
            rows = tuple(replace(row, current_a=12.5) for row in record().rows)  # on the mains as on the bank
            made = replace(record(), id=f"outage-{n}", at=AT - timedelta(days=40 * n), rows=rows)
            await keep(ledger, made)
            shown = show(bank(1), FITTED, made, default_losses(27_000.0), (), None)
            assert shown is not None
            assert not shown.refused
            await gathered.keep_shown(made, shown)
        assert await gathered.losses(bank(1), NOW.date()) == default_losses(27_000.0)
