"""What a plan is played on when no service runs: the newest stored readings, or a load that is given."""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from contextlib import AsyncExitStack, suppress
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from pathlib import Path
from types import TracebackType
from typing import Self
from zlib import crc32

from collector.assessment.bank_evidence import BankEvidenceBook, show
from collector.cards.mib.correction_set import CorrectionSet
from collector.cards.mib.interpretation import CardMeaning
from collector.configuration import Configuration
from collector.configuration.history_server import history_server
from collector.planning.signed_shutdowns import SignedShutdown, restored
from collector.recorder.current_state import Present
from collector.recorder.trackers.load_records import PEAKS
from collector.storage.data_folder import HISTORY_FILE, LEDGER_FILE
from collector.storage.database import make_folder
from collector.storage.history.open_store import open_store
from collector.storage.history.store import HistoryStore
from collector.storage.ledger import Ledger
from rules.battery.assessment.bank import BankJudgement, judge_bank
from rules.battery.model.health import BankBelief, belief_from_age
from rules.phrasing.dates import day_words
from rules.phrasing.ride_words import cautions
from rules.plant.estate import Bank, Estate, in_place
from rules.plant.reading import Reading, Stamp
from rules.system.assessment import SystemView, coldest_c, glance, task_of
from rules.system.hold_up import BoardLoad, PlayBank, PlayUnit
from rules.system.hold_up_sampling import HoldUpTask
from rules.system.load_record import NO_PEAKS, PeakRecord, total_by_day
from rules.system.requirements import stale_after_s
from rules.system.season import load_growth


class NothingStoredError(Exception):
    """The data folder holds no reading of the system."""


@dataclass(frozen=True)
class PlanBasis:
    """A task and what is believed of its banks; `words` say what it rests on, `cautions` what to beware of in that.

    `record`: the load on record, for scenarios that start at a named time; None where there is none.
    """

    task: HoldUpTask
    beliefs: Mapping[str, BankBelief]
    words: str
    record: PeakRecord | None = None
    cautions: tuple[str, ...] = ()


class StoredEstate:
    """What a data folder holds of an estate: opened beside a running service or without one.

        async with StoredEstate(configuration, folder) as kept: ...

    Where the estate file chooses an InfluxDB server, the readings are asked for there; the folder is that of the
    collector that writes to it, with the ledger and what still waits to be sent.

    Nothing is kept in it. But opening is what the service does on a start: files of an earlier program are brought
    up to this one's schema, and a ledger that is not there is made.

    Raises NothingStoredError on opening where no reading is stored, and StoreError for a folder that cannot be
    read. Everything is as it was when the newest reading of it was taken.
    """

    def __init__(self, configuration: Configuration, folder: Path) -> None:
        self.configuration = configuration
        self.estate = configuration.estate
        self.folder = folder
        self.records: dict[str, PeakRecord] = {}
        self._judged_discharges = False
        self._stack = AsyncExitStack()
        self.ledger: Ledger
        self.present: Present
        self.book: BankEvidenceBook

    async def __aenter__(self) -> Self:
        local = self.configuration.history.store == "sqlite"
        if not (self.folder / (HISTORY_FILE if local else LEDGER_FILE)).is_file():
            what = (
                "no readings are stored here" if local else "this is no collector's folder, with its ledger"
            )
            raise NothingStoredError(f"{self.folder}: {what}; give --data, or --load")
        make_folder(self.folder)
        try:
            await self._open()
        except BaseException:
            await self._stack.aclose()
            raise
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self._stack.aclose()

    async def _open(self) -> None:
        self.ledger = ledger = await self._stack.enter_async_context(Ledger(self.folder / LEDGER_FILE))
        corrections = {n: CorrectionSet.from_json(c.body) for n, c in (await ledger.corrections()).items()}
        meaning = CardMeaning(corrections.get)
        history: HistoryStore = await self._stack.enter_async_context(
            open_store(
                self.folder,
                meaning,
                exact_days=self.configuration.history.keep_days,
                server=history_server(self.configuration),
                only_reads=True,
            )
        )
        readings: dict[str, Reading] = {}
        for unit in self.estate.units:
            record = await history.last(unit)
            reading = None if record is None else meaning.reading(record)
            if isinstance(reading, Reading):
                readings[unit] = reading
        self.present = Present(self.estate, readings=readings)
        peaks = await ledger.snapshot(PEAKS)
        for name, plain in (peaks.body if peaks is not None else {}).items():
            if name in self.estate.systems:
                self.records[name] = PeakRecord.restore(base64.b64decode(plain))
        self.book = BankEvidenceBook(
            self.estate, ledger, history, self.present, growth=lambda system: load_growth(self.totals(system))
        )

    def totals(self, system: str) -> list[tuple[date, float]]:
        """Return the highest load of each day on record of a system, W."""
        record = self.records.get(system)
        return [] if record is None else total_by_day(record.days())

    def read_at(self, system: str) -> datetime | None:
        """Return when a system was last read; None for never."""
        readings = self.present.readings
        return max(
            (readings[u.id].at for u in self.estate.units_of(system) if u.id in readings), default=None
        )

    def view(self, system: str, now: Stamp | None = None) -> SystemView:
        """Return a system as it was read last, or as that looks at `now`. Raises NothingStoredError."""
        newest = self.read_at(system)
        if newest is None:
            raise NothingStoredError(f"{self.folder}: no reading of {system} is stored here; give --load")
        mine = {u.id for u in self.estate.units_of(system)}
        readings = {unit: r for unit, r in self.present.readings.items() if unit in mine}
        record = self.records.get(system)
        return SystemView(
            self.estate,
            system,
            readings,
            {},
            now or Stamp(newest, 0.0, "stored"),
            peaks=NO_PEAKS if record is None else record.peaks(newest),
        )

    async def _judge_discharges(self) -> None:
        """Judge, for as long as this is open, the discharges on record that no service has judged yet.

        Some 20 ms for each of them, and up to 0.2 s where it is not known how full its bank was.
        """
        if self._judged_discharges:
            return
        self._judged_discharges = True
        for bank in self.estate.banks.values():
            for record in await self.book.unshown(bank):
                fitted = in_place(bank.fitted, record.at.date())
                if fitted is None:
                    continue
                shown = show(
                    bank,
                    fitted,
                    record,
                    await self.book.losses(bank, record.at.date()),
                    await self.book.references(bank, record.at),
                    await self.book.recent(bank, record),
                    await self.book.missing(bank, record),
                )
                if shown is not None:
                    self.book.note_shown(record, shown)

    async def judged(self, bank: Bank, as_of: datetime) -> BankJudgement | None:
        """Return a bank judged by everything that is stored; None where none of its units was read."""
        await self._judge_discharges()
        evidence = await self.book.gather(bank, as_of)
        return None if evidence is None else await self.book.settle(judge_bank(evidence))

    async def beliefs(self, system: str) -> dict[str, BankBelief]:
        """Return what is believed of a system's banks, as of its last reading. Raises NothingStoredError."""
        as_of = self.view(system).now.at
        found = {}
        for bank in self.estate.banks_of_system(system):
            judged = await self.judged(bank, as_of)
            if judged is not None:
                found[bank.id] = judged.belief
        return found

    async def basis(self, system: str, now: datetime | None = None) -> PlanBasis:
        """Return what a plan for a system is played on; `now` tells how old that is. Raises NothingStoredError."""
        view = self.view(system)
        here = view.now.at.astimezone(self.estate.site_of(system).zone)
        words = f"the readings of {day_words(here.date())}, {here:%H:%M:%S} at the site"
        seen = glance(view)
        age_s = ((now or datetime.now(UTC)) - view.now.at).total_seconds()
        old = age_s > stale_after_s(self.configuration.polling.every_s)
        care = cautions(seen.on_battery, seen.in_test, age_s if old else None)
        beliefs = await self.beliefs(system)
        return PlanBasis(task_of(view, seen), beliefs, words, self.records.get(system), care)

    async def given(self, system: str, watts: Sequence[float]) -> PlanBasis:
        """Return what a plan is played on with a given load, on the banks as they are judged."""
        basis = given(self.estate, system, watts)
        known = await self.beliefs(system) if self.read_at(system) is not None else {}
        words = f"a given load of {sum(watts) / 1e3:.1f} kW; "
        if set(known) >= set(basis.beliefs):
            words += "banks as judged from what is stored"
        else:
            left = ", ".join(sorted(set(basis.beliefs) - set(known)))
            words += f"banks as judged from what is stored, but by table and age alone: {left}"
        return replace(basis, beliefs={**basis.beliefs, **known}, words=words)


async def signed(folder: Path, systems: Sequence[str]) -> tuple[SignedShutdown, ...]:
    """Return the shutdowns signed for some systems in the order of their starts; those damaged on the disk are left out.

    Raises NothingStoredError, and StoreError for a folder that cannot be read.
    """
    if not (folder / LEDGER_FILE).is_file():
        raise NothingStoredError(f"{folder}: no ledger is here; give --data")
    async with Ledger(folder / LEDGER_FILE) as ledger:
        found = []
        for line, course in await ledger.signed():
            if line.system in systems:
                with suppress(TypeError, ValueError, KeyError):
                    found.append(restored(line, course))
        return tuple(found)


def given(estate: Estate, system: str, watts: Sequence[float], day: date | None = None) -> PlanBasis:
    """Return a system as declared with a given load by board line, at power factor 0.95; banks by table and age."""
    on = datetime.now(UTC).date() if day is None else day
    units = tuple(
        PlayUnit(unit.id, unit.line_order[: unit.output_lines], fitted.rating_w, fitted.rating_va)
        for unit in estate.units_of(system)
        if (fitted := in_place(unit.fitted, on)) is not None
    )
    asked_w = dict(enumerate(watts, start=1))
    banks = estate.banks_of_system(system)
    task = HoldUpTask(
        system=system,
        as_of=None,
        units=units,
        banks=tuple(PlayBank(bank.id, bank.feeds, bank.strings) for bank in banks),
        asked=BoardLoad(asked_w, {line: w / 0.95 for line, w in asked_w.items()}),
        coldest_c={bank.id: coldest_c(bank) for bank in banks},
        each_lost=len(units) > 1,
    )
    beliefs = {bank.id: _by_age(estate, bank, on) for bank in banks}
    words = f"a given load of {sum(watts) / 1e3:.1f} kW; banks by table and age alone"
    return PlanBasis(task, beliefs, words)


def _by_age(estate: Estate, bank: Bank, day: date) -> BankBelief:
    units = [in_place(estate.units[unit].fitted, day) for unit in bank.feeds]
    rating_w = sum(unit.rating_w for unit in units if unit is not None) or None
    seed = crc32(bank.id.encode())
    fitted = in_place(bank.fitted, day)
    return belief_from_age(bank, fitted, day, bank.room_temperature_c, seed, rating_w=rating_w)
