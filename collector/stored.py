"""What a plan is played on when no service runs: the newest stored readings, or a load that is given."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import AsyncExitStack
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from zlib import crc32

from collector.bank_evidence import BankEvidenceBook
from collector.configuration import Configuration
from collector.database import make_folder
from collector.history.sqlite import SqliteHistory
from collector.ledger import Ledger
from collector.present import Present
from collector.snmp.corrections import CorrectionSet
from collector.snmp.meaning import CardMeaning
from rules.assess import SystemView, coldest_c, glance, task_of
from rules.autonomy import HoldUpTask
from rules.battery.belief import BankBelief, belief_from_age
from rules.estate import Bank, Estate, in_place
from rules.hold_up import Asked, PlayBank, PlayUnit
from rules.judge import judge_bank
from rules.reading import Reading, Stamp
from rules.words import day_words

HISTORY_FILE = "history.sqlite"
LEDGER_FILE = "ledger.sqlite"


class NothingStoredError(Exception):
    """The data folder holds no reading of the system."""


@dataclass(frozen=True)
class PlanBasis:
    """A task and what is believed of its banks; `words` say what it rests on."""

    task: HoldUpTask
    beliefs: Mapping[str, BankBelief]
    words: str


async def stored(configuration: Configuration, folder: Path, system: str) -> PlanBasis:
    """Return the newest stored state of a system, as it was when it was read.

    Raises NothingStoredError, and StoreError for a folder that cannot be read.
    """
    estate = configuration.estate
    if not (folder / HISTORY_FILE).is_file():
        raise NothingStoredError(f"{folder}: no readings are stored here; give --data, or --load")
    make_folder(folder)
    async with AsyncExitStack() as stack:
        ledger = await stack.enter_async_context(Ledger(folder / LEDGER_FILE))
        corrections = {n: CorrectionSet.from_json(c.body) for n, c in (await ledger.corrections()).items()}
        meaning = CardMeaning(corrections.get)
        history = await stack.enter_async_context(SqliteHistory(folder / HISTORY_FILE, meaning))
        readings: dict[str, Reading] = {}
        for unit in estate.units_of(system):
            record = await history.last(unit.id)
            reading = None if record is None else meaning.reading(record)
            if isinstance(reading, Reading):
                readings[unit.id] = reading
        if not readings:
            raise NothingStoredError(f"{folder}: no reading of {system} is stored here; give --load")
        newest = max(reading.at for reading in readings.values())
        view = SystemView(estate, system, readings, {}, Stamp(newest, 0.0, "stored"))
        book = BankEvidenceBook(estate, ledger, history, Present(estate, readings=readings))
        beliefs = {}
        for bank in estate.banks_of_system(system):
            evidence = await book.gather(bank, newest)
            if evidence is not None:
                beliefs[bank.id] = judge_bank(evidence).belief
    task = task_of(view, glance(view))
    here = newest.astimezone(estate.site_of(system).zone)
    return PlanBasis(task, beliefs, f"the readings of {day_words(here.date())}, {here:%H:%M:%S} at the site")


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
        asked=Asked(asked_w, {line: w / 0.95 for line, w in asked_w.items()}),
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
