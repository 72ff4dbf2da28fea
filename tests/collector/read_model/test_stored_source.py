"""What a stopped service would say is what it said while it ran: the same sheet from the data folder as from the service."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final, cast

import numpy as np
import pytest

from collector.assessment.bank_evidence import BankEvidenceBook
from collector.assessment.banks import BankJudging
from collector.assessment.worker import Worker
from collector.cards.mib.upsmib import TablePart
from collector.cards.mib.wire_values import CardRead, WireValue, part_of
from collector.cards.polling.poller import Answer
from collector.configuration import Configuration, load_text
from collector.process.clock import TurnedClock, stamp
from collector.read_model.sheet import Sheet
from collector.read_model.snapshot import Showing
from collector.read_model.stored import StoredEstate
from collector.read_model.stored_source import InPlace, judged_again
from collector.recorder.trackers.unit_work import WorkBegins
from collector.service.service import Service
from rules.battery.assessment.bank import judge_bank
from rules.generator.outage_source import OutageSource
from rules.monitor.inputs import Tick
from rules.planning.ridethrough.shutdown import STANDARD
from rules.system.assessment import task_of
from rules.system.hold_up.judgement import hold_ups
from rules.system.hold_up.sampling import DRAWS, SEED
from tests.collector.cards.sample_cards import GOOD

EXAMPLE: Final = Path(__file__).parents[3] / "deploy" / "example-estate.toml"
START: Final = datetime(2026, 11, 24, 10, tzinfo=UTC)
DARK: Final[dict[str, WireValue]] = {
    "upsOutputSource": 5,
    "upsBatteryVoltage": 4900,
    "upsBatteryCurrent": 120,
    **{f"upsInputVoltage.{line}": 0 for line in (1, 2, 3)},
}
LIGHT: Final[dict[str, WireValue]] = {
    f"{name}.{line}": value
    for line in (1, 2, 3)
    for name, value in (("upsOutputPower", 1500), ("upsOutputCurrent", 75), ("upsOutputPercentLoad", 18))
}


@pytest.fixture
def configuration() -> Configuration:
    text = EXAMPLE.read_text("utf-8").replace("port = 1162", "")  # tests beside this one would want it too
    return load_text(text, EXAMPLE)


async def poll(service: Service, *, times: int, dark: bool = False, silent: Sequence[str] = ()) -> None:
    """Have every card read at its cadence, or be silent."""
    wire = GOOD | LIGHT | (DARK if dark else {})
    clock = service.clock
    assert isinstance(clock, TurnedClock)
    for _ in range(times):
        await clock.advance(5.0)
        now = stamp(clock)
        await service.recorder.process(
            [
                *(
                    Answer(card, now, 5.0, 0.0, 2.0, silence="no reply")
                    if card in silent
                    else Answer(card, now, 5.0, 0.0, 0.1, CardRead(frozenset(TablePart), wire, alarms=()))
                    for card in service.estate.cards
                ),
                Tick(now),
            ]
        )


async def poll_live(service: Service) -> None:
    """Have every card read once more, without what is read less often."""
    clock = service.clock
    assert isinstance(clock, TurnedClock)
    await clock.advance(5.0)
    now = stamp(clock)
    wire = {key: value for key, value in (GOOD | LIGHT).items() if part_of(key) is TablePart.LIVE}
    read = CardRead(frozenset({TablePart.LIVE}), wire, alarms=())
    await service.recorder.process([Answer(card, now, 5.0, 0.0, 0.1, read) for card in service.estate.cards])


async def test_what_is_read_less_often_is_known_of_a_data_folder_as_it_is_of_the_service(
    configuration: Configuration, tmp_path: Path
) -> None:
    async with Service(configuration, tmp_path, TurnedClock(START)) as service:
        await poll(service, times=1)
        for _ in range(3):
            await poll_live(service)
        shown = dict(service.present.readings)
    async with StoredEstate(configuration, tmp_path) as kept:
        for unit, reading in shown.items():
            assert reading.bypass is not None
            assert reading.bypass.frequency_hz is not None
            assert kept.present.readings[unit].bypass == reading.bypass
            assert kept.present.readings[unit].battery == reading.battery


async def judge(service: Service) -> None:
    """Have banks and systems judged, as the judging process would."""
    book = BankEvidenceBook(service.estate, service.ledger, service.history, service.present)
    judging = service._parts.judging
    banks = BankJudging(
        service.estate, cast("Worker", InPlace()), service.clock, book, service.recorder.queue.put
    )
    for bank in service.estate.banks.values():
        await banks._judge_discharges(bank)
    for _ in range(2):  # what is asked of a bank is known once its system was judged
        for bank in service.estate.banks.values():
            evidence = await book.gather(bank, service.clock.now())
            assert evidence is not None
            await service.recorder.process([await book.settle(judge_bank(evidence))])
        for system in service.estate.systems:
            seen = judging.seen(system)
            assert seen is not None
            await service.recorder.process([hold_ups(task_of(*seen), judging.beliefs, SEED, DRAWS)])


async def answer(service: Service) -> None:
    """Have the answers ready that the service keeps ready."""
    now, present, planner = service.clock.now(), service.present, service.planner
    for unit in service.estate.units.values():
        found = await planner.isolation(unit.system, unit.id, now, now + timedelta(hours=4))
        present.isolations[unit.id] = found
    for system in service.estate.systems:
        present.shutdowns[system] = await planner.shutdown(system, STANDARD, None, None)
        sizes = await planner.sizes(system)
        if sizes is not None:
            present.sizes[system] = sizes


async def stored(configuration: Configuration, folder: Path) -> Sheet:
    async with StoredEstate(configuration, folder) as kept:
        source = await judged_again(kept)
        await source.answer(source.estate.systems)
        return await Showing().sheet(source)


def comparable(sheet: Sheet) -> Sheet:
    """Return a sheet without what only a running service can say: how it keeps up, and what of its cards it reads."""
    units = tuple(
        replace(u, read_every_s=None, unread=None, not_read=None, card=None, reads=(), why_silent=None)
        for u in sheet.units
    )
    alarms = tuple(replace(one, told=(), what=wordless(one.what)) for one in sheet.alarms)
    isolations = tuple(
        replace(one, answer=one.overall, not_met=tuple(sorted(map(wordless, one.not_met))))
        for one in sheet.isolations
    )
    return replace(sheet, units=units, alarms=alarms, isolations=isolations, own=None, acts=False)


def wordless(text: str) -> str:
    """Return a text without its figures: those in an alarm's words are no reason to write to the disk."""
    return re.sub(r"[0-9.]+", "#", text)


def differing(one: Sheet, other: Sheet) -> list[str]:
    return [name for name in Sheet.__dataclass_fields__ if getattr(one, name) != getattr(other, name)]


async def test_a_sheet_from_the_data_folder_says_what_the_running_service_said(
    configuration: Configuration, tmp_path: Path
) -> None:
    folder = tmp_path / "data"
    async with Service(configuration, folder, TurnedClock(START)) as service:
        await poll(service, times=20)
        await judge(service)
        begins = WorkBegins(service.clock.now(), "core-2", "R. Haugen", START + timedelta(hours=4))
        refusal, _ = service.recorder.trackers.works.say(begins)
        assert refusal is None
        await poll(service, times=12, dark=True)
        await poll(service, times=12)
        (outage,) = service.outages.outages
        assert outage.incident is not None
        await service.mark_outage(outage.incident, by="R. Haugen", source=OutageSource.MAINS)
        await poll(service, times=30, silent=("card-2",))
        await judge(service)
        await answer(service)
        live = comparable(await Showing().sheet(service))
    found = comparable(await stored(configuration, folder))
    assert differing(live, found) == []
    assert [bool(state.work) for state in found.systems] == [True]
    assert {alarm.id for alarm in found.alarms} >= {"card_silent:core-2"}
    assert found.events
    assert found.returns
    assert found.shutdowns
    assert found.isolations
    assert {unit.id for unit in found.units if unit.silent_since is not None} == {"core-2"}


async def test_a_sheet_of_a_system_on_its_banks_counts_down_as_the_service_did(
    configuration: Configuration, tmp_path: Path
) -> None:
    folder = tmp_path / "data"
    async with Service(configuration, folder, TurnedClock(START)) as service:
        await poll(service, times=20)
        await judge(service)
        await poll(service, times=10, dark=True)
        live = await Showing().sheet(service)
    found = await stored(configuration, folder)
    (was,), (now_is,) = live.systems, found.systems
    assert was.on_battery is not None
    assert now_is.on_battery is not None
    assert now_is.on_battery.since == was.on_battery.since
    assert found.outages.keys() == {"core"}
    assert [one.answer for one in found.isolations] == [one.answer for one in live.isolations]


async def test_the_page_and_the_messages_name_one_moment_of_the_loss(
    configuration: Configuration, tmp_path: Path
) -> None:
    """A card counts its seconds on battery; the message named the moment of the reading, some seconds on."""
    async with Service(configuration, tmp_path / "data", TurnedClock(START)) as service:
        await poll(service, times=2)
        read = service.clock.now()
        wire = GOOD | LIGHT | DARK
        clock = service.clock
        assert isinstance(clock, TurnedClock)
        for seconds in (3, 8):
            await clock.advance(5.0)
            now = stamp(clock)
            card = CardRead(frozenset(TablePart), wire | {"upsSecondsOnBattery": seconds}, alarms=())
            await service.recorder.process(
                [*(Answer(name, now, 5.0, 0.0, 0.1, card) for name in service.estate.cards), Tick(now)]
            )
        state = service.present.systems["core"]
        assert state.on_battery is not None
        assert state.on_battery.since == read + timedelta(seconds=2)
        (incident,) = service.recorder.watch.now.incidents.values()
        assert incident.parts["core"].since == state.on_battery.since
        (lost,) = service.outages.outages
        assert lost.lost_at == state.on_battery.since


async def test_what_a_bank_gave_since_the_mains_was_lost_is_gone_from_a_data_folder_too(
    configuration: Configuration, tmp_path: Path
) -> None:
    folder = tmp_path / "data"
    async with Service(configuration, folder, TurnedClock(START)) as service:
        await poll(service, times=20)
        await judge(service)
        await poll(service, times=48, dark=True)
    async with StoredEstate(configuration, folder) as kept:
        beliefs = await kept.beliefs("core")
    assert beliefs
    for belief in beliefs.values():
        gone_s = belief.rested(belief.as_of).seconds_left(4500.0) - belief.seconds_left(4500.0)
        assert 230.0 <= float(np.median(gone_s)) <= 300.0, "it has given 4.5 kW for four minutes"
