"""What a plan is played on when no service runs: the newest stored readings, or a load that is given."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import AsyncExitStack, suppress
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from pathlib import Path
from types import TracebackType
from typing import Self
from zlib import crc32

from collector.assessment.bank_evidence import BankEvidenceBook
from collector.assessment.live_discharge import while_it_gives
from collector.assessment.shown_discharges import show
from collector.cards.corrections.learning import Learning
from collector.cards.mib.interpretation import CardMeaning
from collector.configuration import Configuration
from collector.configuration.history_server import history_server
from collector.planning.signed_book import SignedShutdown, restored
from collector.planning.test_dates import PlannedSources, PlannedTests
from collector.process.clock import TurnedClock, stamp
from collector.recorder.current_state import Present
from collector.recorder.monitor_state import kept_state
from collector.recorder.parts import Trackers
from collector.recorder.startup import last_silences, last_whole
from collector.recorder.system_views import Views
from collector.storage.data_folder import HISTORY_FILE, LEDGER_FILE
from collector.storage.database import make_folder
from collector.storage.history.open_store import open_store
from collector.storage.history.store import HistoryStore
from collector.storage.ledger import Ledger
from collector.storage.partner import WITH_HISTORY, WITH_SPOOL
from collector.storage.store_files import whole
from rules.battery.assessment.bank import BankJudgement, judge_bank
from rules.battery.model.health import BankBelief, belief_from_age
from rules.monitor.state import WatchState
from rules.phrasing.dates import day_words
from rules.planning.ridethrough.outcome import cautions
from rules.plant.estate import Bank, Estate, in_place
from rules.plant.reading import Reading, Silence, Stamp
from rules.plant.unread import Unread
from rules.system.assessment import coldest_c, task_of
from rules.system.hold_up.sharing import BoardLoad, PlayBank, PlayUnit
from rules.system.hold_up.task import HoldUpTask
from rules.system.load.peaks import total_by_day
from rules.system.load.record import PeakRecord
from rules.system.load.season import load_growth
from rules.system.observation import SystemObservation, SystemView, glance
from rules.system.requirements import stale_after_s
from rules.values.reason import Reason


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
    cautions: tuple[Reason, ...] = ()


class StoredEstate:
    """What a data folder holds of an estate: opened beside a running service or without one.

        async with StoredEstate(configuration, folder) as kept: ...

    Where the estate file chooses an InfluxDB server, the readings are asked for there; the folder is that of the
    collector that writes to it, with the ledger and what still waits to be sent.

    Nothing is kept in it. But opening is what the service does on a start: files of an earlier program are brought
    up to this one's schema, and a folder that lost a store is refused, as the service refuses it.

    Raises NothingStoredError on opening where no reading is stored, and StoreError for a folder that cannot be
    read. Everything is as it was when the newest reading of it was taken.
    """

    def __init__(self, configuration: Configuration, folder: Path) -> None:
        self.configuration = configuration
        self.estate = configuration.estate
        self.folder = folder
        self._judged_discharges = False
        self._stack = AsyncExitStack()
        self.learning = Learning(
            self.estate, {name: card.read_as for name, card in configuration.cards.items()}
        )
        self.clock: TurnedClock
        self.ledger: Ledger
        self.present: Present
        self.state: WatchState
        self.trackers: Trackers
        self.book: BankEvidenceBook
        self._views: Views

    async def __aenter__(self) -> Self:
        local = self.configuration.history.store == "sqlite"
        if not (self.folder / (HISTORY_FILE if local else LEDGER_FILE)).is_file():
            what = (
                "no readings are stored here" if local else "this is no collector's folder, with its ledger"
            )
            raise NothingStoredError(f"{self.folder}: {what}; give --data, or --load")
        make_folder(self.folder)
        whole(self.folder, WITH_HISTORY if local else WITH_SPOOL)
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
        await self.learning.restore(ledger)
        meaning = CardMeaning(self.learning.lookup)
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
            record = await last_whole(history, unit, self._slow_every_s(unit))
            reading = None if record is None else meaning.reading(record)
            if isinstance(reading, Reading):
                readings[unit] = reading
        as_of = max((reading.at for reading in readings.values()), default=datetime.now(UTC))
        self.clock = TurnedClock(as_of, "stored")
        self.state = await kept_state(ledger)
        self.present = present = Present(self.estate, readings=readings, alarms=dict(self.state.alarms))
        present.silences |= _until(as_of, last_silences(self.state, self.estate))
        self.trackers = trackers = Trackers.of(self.estate, self.clock, present)
        # the discharges under way are the running service's alone: going on with them may write
        for part in (
            trackers.outages,
            trackers.transfers,
            trackers.works,
            trackers.countdowns,
            trackers.loads,
        ):
            await part.restore(ledger)
        self.book = BankEvidenceBook(
            self.estate,
            ledger,
            history,
            present,
            growth=lambda system: load_growth(self.totals(system)),
            next_test=PlannedTests(self.estate, PlannedSources.of(self.configuration)).next_test,
        )
        declared = DeclaredCadence(self.configuration, present)
        self._views = Views(
            self.estate, self.clock, present, trackers, declared, declared, self.book.coldest_c
        )

    def _slow_every_s(self, unit: str) -> float:
        card = self.estate.card_of(unit)
        polling = self.configuration.polling if card is None else self.configuration.cards[card.id].polling
        return polling.slow_every_s

    def record(self, system: str) -> PeakRecord | None:
        """Return the load on record of a system, None where there is none."""
        record = self.trackers.loads.of(system)
        return record if record.day_count else None

    def totals(self, system: str) -> list[tuple[date, float]]:
        """Return the highest load of each day on record of a system, W."""
        return total_by_day(self.trackers.loads.of(system).days())

    def read_at(self, system: str) -> datetime | None:
        """Return when a system was last read; None for never."""
        readings = self.present.readings
        return max(
            (readings[u.id].at for u in self.estate.units_of(system) if u.id in readings), default=None
        )

    def view(self, system: str, now: Stamp | None = None) -> SystemView:
        """Return a system as it was read last, or as that looks at `now`. Raises NothingStoredError.

        It is what a running service would look at: with what was remembered of its outages, its work, its peaks.
        """
        newest = self.read_at(system)
        if newest is None:
            raise NothingStoredError(f"{self.folder}: no reading of {system} is stored here; give --load")
        at = now or Stamp(newest, 0.0, "as read last")
        view = self._views.of(system, self.state)
        return replace(view, now=at, silences=_until(at.at, view.silences))

    def show(self, system: str) -> tuple[SystemView, SystemObservation]:
        """Show a system as it is now, by what is judged of it so far. Raises NothingStoredError."""
        view, judged = self.view(system, stamp(self.clock)), self.present.hold_ups.get(system)
        seen = glance(view, judged)
        self.present.show_system(self._views.state_of(view, seen, judged, self.state)[0])
        return view, seen

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
                    await self.book.fell_with_others(bank, record),
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
                found[bank.id] = await while_it_gives(self.book, bank, judged.belief, as_of)
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
        return PlanBasis(task_of(view, seen), beliefs, words, self.record(system), care)

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


class DeclaredCadence:
    """How fast cards are to be read by the estate file, where nobody reads them now."""

    def __init__(self, configuration: Configuration, present: Present) -> None:
        self._configuration = configuration
        self._present = present

    def period_s(self, unit: str) -> float:
        """Return how often a unit was to be read when it was read last, in s."""
        estate = self._configuration.estate
        card = estate.card_of(unit)
        polling = self._configuration.polling if card is None else self._configuration.cards[card.id].polling
        beside = (self._present.readings.get(u.id) for u in estate.units_of(estate.units[unit].system))
        urgent = any(one is not None and (one.on_battery or one.in_test) for one in beside)
        return polling.on_battery_every_s if urgent else polling.every_s

    def why(self, unit: str, present: Present) -> Unread | None:  # noqa: ARG002 - of the protocol
        """Return None: nobody reads it here."""
        return None


def _until(at: datetime, silences: Mapping[str, Silence]) -> dict[str, Silence]:
    """Return the silences that had begun by then."""
    return {unit: silence for unit, silence in silences.items() if silence.stamp.at <= at}


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
