"""The past is complete, in order, repeatable, and agrees with the physics it stands for."""

import asyncio
import json
from collections.abc import AsyncIterator, Sequence
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from collector.cards.mib.interpretation import CardMeaning
from collector.configuration import load_text
from collector.simulation.past import episodes
from collector.simulation.past import generate as past
from collector.simulation.scenario.demonstration import UNITS, SimScenario, cards
from collector.storage.history.sqlite import SqliteHistory
from collector.storage.history.store import Bucket, WireReading
from collector.storage.ledger import Ledger
from collector.storage.ledger.discharge_record import Phase, from_evidence

SCENARIO = SimScenario(7, datetime(2026, 11, 24, 12, tzinfo=UTC))
DAYS = 20


class Kept:
    """A store that only keeps what it is given."""

    trouble = None

    def __init__(self) -> None:
        self.readings_by_unit: dict[str, list[WireReading]] = {}
        self.exact: list[tuple[str, datetime, datetime]] = []

    async def append(self, batch: Sequence[WireReading]) -> None:
        for reading in batch:
            self.readings_by_unit.setdefault(reading.unit, []).append(reading)

    async def series(self, unit: str, quantity: str, **_: Any) -> tuple[Bucket, ...]:
        raise NotImplementedError

    async def several(self, unit: str, quantities: Sequence[str], **_: Any) -> tuple[tuple[Bucket, ...], ...]:
        raise NotImplementedError

    async def first(self, unit: str) -> datetime | None:
        return None

    async def last(self, unit: str) -> WireReading | None:
        raise NotImplementedError

    def readings(self, unit: str, start: datetime, end: datetime) -> AsyncIterator[WireReading]:
        raise NotImplementedError

    async def keep_exact(self, unit: str, start: datetime, end: datetime, why: str) -> None:
        self.exact.append((unit, start, end))

    async def take_out(
        self, unit: str, origin: str, start: datetime, end: datetime, *, let_go: bool
    ) -> frozenset[date]:
        raise NotImplementedError

    async def tend(self, now: datetime, *, let_go: bool = True) -> tuple[str, ...]:
        return ()

    async def close(self) -> None: ...


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("past")


@pytest.fixture(scope="module")
def kept(folder: Path) -> Kept:
    store = Kept()
    assert asyncio.run(past.write_past(store, folder, SCENARIO, days=DAYS))
    return store


async def test_the_discharges_of_the_past_stay_exact_though_their_days_are_older_than_is_kept(
    tmp_path: Path,
) -> None:
    async with SqliteHistory(tmp_path / "history.sqlite", CardMeaning(lambda _: None)) as store:
        await past.write_past(store, tmp_path, SCENARIO, days=1)
        await store.tend(SCENARIO.now)
        marked = json.loads((tmp_path / past.MARKER).read_text(encoding="utf-8"))["discharges"]
        old = [d for d in marked if SCENARIO.now - datetime.fromisoformat(d[1]) > timedelta(days=731)]
        assert old
        for unit, start, end in old:
            first, last = datetime.fromisoformat(start), datetime.fromisoformat(end)
            found = [r async for r in store.readings(unit, first, last)]
            assert len(found) > 0.9 * (last - first).total_seconds() / 2.0


def test_quiet_time_is_read_every_quarter_of_an_hour_up_to_now(kept: Kept) -> None:
    for unit in UNITS:
        recent = [r for r in kept.readings_by_unit[unit.unit] if r.at > SCENARIO.now - timedelta(days=5)]
        assert {b.at - a.at for a, b in pairwise(recent)} == {timedelta(minutes=15)}
        assert SCENARIO.now - recent[-1].at <= timedelta(minutes=15)
        assert all(r.wire["upsOutputSource"] == 3 for r in recent)


def test_every_unit_is_in_order_of_time_without_repetition(kept: Kept) -> None:
    for readings in kept.readings_by_unit.values():
        assert all(a.at < b.at for a, b in pairwise(readings))


def test_every_bank_has_its_acceptance_discharge_at_full_cadence_to_the_end(kept: Kept) -> None:
    for unit in UNITS:
        day = SCENARIO.fitted_on(unit) + timedelta(days=2)
        readings = [r for r in kept.readings_by_unit[unit.unit] if r.at.date() == day]
        on_battery = [r for r in readings if r.wire["upsOutputSource"] == 5]
        assert {b.at - a.at for a, b in pairwise(on_battery)} == {timedelta(seconds=2)}
        last_v = on_battery[-1].wire["upsBatteryVoltage"]
        assert isinstance(last_v, int)
        # down to 1.67 V a cell on the card's own meter, and hardly deeper
        assert 1.62 < last_v / 10.0 / unit.cells <= 1.67
        watts = [
            sum(v for k, v in r.wire.items() if k.startswith("upsOutputPower") and isinstance(v, int))
            for r in on_battery
        ]
        assert watts[len(watts) // 2] == pytest.approx(past.ACCEPTANCE_SHARE * unit.rating_w, rel=0.03)
        assert any(u == unit.unit and start.date() == day for u, start, _ in kept.exact)


def test_an_outage_of_the_past_is_seen_by_the_system_and_recharged_after(kept: Kept) -> None:
    (episode,) = [e for e in episodes.EPISODES if e.system == "tollwick" and e.days_ago < DAYS]
    start = datetime.fromtimestamp(episode.start_s(SCENARIO.now.timestamp()), UTC)
    after = [r for r in kept.readings_by_unit["tollwick-1"] if start <= r.at < start + timedelta(hours=8)]
    on_battery = [r for r in after if r.wire["upsOutputSource"] == 5]
    held_s = (on_battery[-1].at - on_battery[0].at).total_seconds()
    assert held_s == pytest.approx(episode.lasts_s + 15.0, abs=5.0)  # the unit takes 15 s to accept the mains
    charging = [r for r in after if isinstance(a := r.wire["upsBatteryCurrent"], int) and a < -5]
    assert charging
    assert charging[0].at > on_battery[-1].at


async def test_it_is_done_once(kept: Kept, folder: Path) -> None:
    store = Kept()
    assert not await past.write_past(store, folder, SCENARIO, days=DAYS)
    assert store.readings_by_unit == {}


def test_the_same_scenario_has_the_same_past(kept: Kept) -> None:
    _, again = next(past.batches(SCENARIO, days=DAYS))
    assert again == kept.readings_by_unit["ossenby-1"][: len(again)]


def test_floating_by_formula_is_floating_by_physics(kept: Kept) -> None:
    """The vectorised quiet time joins the played one without a step."""
    for unit in UNITS:
        readings = kept.readings_by_unit[unit.unit]
        recent = readings[-1].wire["upsBatteryVoltage"]
        played = [r for r in readings if r.at.date() == SCENARIO.fitted_on(unit) + timedelta(days=2)]
        before = played[0].wire["upsBatteryVoltage"]
        assert isinstance(recent, int)
        assert isinstance(before, int)
        room_k = 3.0 + 5.0  # rooms differ from the test's 22 degC by at most so much
        assert abs(recent - before) / 10.0 <= 0.003 * room_k * unit.cells


async def test_the_discharges_become_evidence_in_the_ledger(tmp_path: Path) -> None:
    targets = {card: f"snmp://127.0.0.1:{16100 + i}" for i, card in enumerate(cards())}
    secrets = tmp_path / "secrets.toml"
    secrets.touch(mode=0o600)
    secrets.write_text(SCENARIO.secrets_text())
    estate = load_text(SCENARIO.estate_text(targets), tmp_path / "estate.toml").estate
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        assert await past.write_past(Kept(), tmp_path, SCENARIO, days=DAYS, ledger=ledger, estate=estate)
        for unit in UNITS:
            lines = await ledger.evidence(unit.bank)
            first = from_evidence(lines[0])
            assert (first.kind, first.phase) == ("acceptance", Phase.DONE)
            assert first.longest_gap_s <= 2.0
            assert first.ended_how == "supply_back"
        (outage,) = [
            r for r in map(from_evidence, await ledger.evidence("tollwick-1-bank")) if r.kind == "outage"
        ]
        assert outage.watched_s > 24 * 3600.0  # as it is of a bank that was read for years
        (episode,) = [e for e in episodes.EPISODES if e.system == "tollwick" and e.days_ago < DAYS]
        assert outage.ended_s is not None
        assert outage.ended_s - outage.started_s == pytest.approx(episode.lasts_s + 15.0, abs=5.0)
        assert await ledger.open_evidence() == ()
