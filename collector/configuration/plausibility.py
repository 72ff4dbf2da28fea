"""What an estate file may say, but hardly any plant is: thousands left out, cells taken for blocks, days to come.

What no plant can be is a fault. What a plant may be, and a slip of the pen is likelier, or what the plant itself
lacks, is a warning with the figures and the remedy.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Final

from collector.configuration.faults import FaultList
from collector.configuration.impossible import CELLS_IN_A_BLOCK, LEAST_VA, MOST_VA
from collector.configuration.plant.banks import BankTable, FittedBankTable
from collector.configuration.plant.sites import GeneratorTable, LoadGroupTable, SupplyTable, SystemTable
from collector.configuration.plant.units import FittedUnitTable, UnitTable
from collector.configuration.references import Entries

LEAST_W_OF_VA: Final = 0.4
"""Rated watts of rated volt-amperes: 0.6 in the oldest cabinets, 0.8 to 1 in those of today."""
LEAST_SET_W: Final = 1_000.0
FIRST_YEAR: Final = 1970
SMALL_AH: Final = 30.0
"""Single cells of 2 V are made larger, save for a few small ones that no cabinet holds."""
MOST_PER_AH: Final = 40.0
"""Amperes of a string for each of its Ah: about what it gives into a short circuit, where no volts are left."""
LEAST_BANK_V: Final = 96.0
MOST_BANK_V: Final = 1_000.0
LARGE_VA: Final = 8_000.0
CHARGE_PER_AH: Final = 0.1
"""Amperes that a charger gives for each rated Ah of an empty bank: the trade's usual setting."""
CHARGE_CELL_V: Final = 2.27
_CONVERSION: Final = 0.94


def check_plausible(entries: Entries, notes: FaultList, today: date | None) -> None:
    """Note what is not plausible. `today`: the latest day it is anywhere; None to pass over days to come."""
    for unit in entries.all(UnitTable, "unit"):
        for number, cabinet in enumerate(unit.fitted, 1):
            _check_rating(cabinet, f"{entries.place(unit)}.fitted#{number}", notes)
        _check_days(unit.fitted, f"{entries.place(unit)}.fitted", notes, today)
    for bank in entries.all(BankTable, "bank"):
        _check_bank(bank, entries, notes)
        _check_days(bank.fitted, f"{entries.place(bank)}.fitted", notes, today)
    for generator in entries.all(GeneratorTable, "generator"):
        _check_generator(generator, entries, notes)
    systems = entries.by_id(SystemTable, "system")
    for system in systems.values():
        partner = systems.get(system.partner or "")
        if partner is not None and partner.site != system.site:
            notes.warn(
                f"{entries.place(system)}.partner",
                f"a system at site {system.site!r}, which can take this load too (or leave partner out)",
                f"{partner.id!r}, which stands at {partner.site!r}",
            )
        _check_loads(system, entries, notes)


def _check_rating(cabinet: FittedUnitTable, place: str, notes: FaultList) -> None:
    for name, value in (("rating_va", cabinet.rating_va), ("rating_w", cabinet.rating_w)):
        unit = name.removeprefix("rating_").upper()
        if value < LEAST_VA:
            kilo = f"{round(value * 1000):_}"
            notes.fault(
                f"{place}.{name}",
                f"{unit}, {LEAST_VA:g} or more: k{unit} times 1000, as {kilo}",
                f"{value:g}",
            )
        elif value > MOST_VA:
            notes.fault(f"{place}.{name}", f"{unit}, at most {MOST_VA:_.0f} in one cabinet", f"{value:_.0f}")
    if LEAST_VA <= cabinet.rating_w < LEAST_W_OF_VA * cabinet.rating_va <= LEAST_W_OF_VA * MOST_VA:
        notes.fault(
            f"{place}.rating_w",
            f"watts between {LEAST_W_OF_VA:g} and 1 times rating_va ({cabinet.rating_va:_.0f})",
            f"{cabinet.rating_w:g}",
        )


def _check_days(
    fitted: Sequence[FittedUnitTable | FittedBankTable], place: str, notes: FaultList, today: date | None
) -> None:
    for number, item in enumerate(fitted, 1):
        for name, day in (("from", item.from_day), ("until", item.until_day)):
            if day is None:
                continue
            here = f"{place}#{number}.{name}"
            if day.year < FIRST_YEAR:
                notes.fault(here, f"a year with four figures, {FIRST_YEAR} or later", str(day))
            elif today is not None and day > today:
                done = "put in" if name == "from" else "taken out"
                notes.fault(
                    here,
                    f"the day it was {done}, today ({today}) at the latest; enter it when it is done",
                    str(day),
                )


def _rating_va(bank: BankTable, entries: Entries) -> float:
    units = entries.by_id(UnitTable, "unit")
    return max((units[name].fitted[-1].rating_va for name in bank.feeds if name in units), default=0.0)


def _check_bank(bank: BankTable, entries: Entries, notes: FaultList) -> None:
    place = entries.place(bank)
    units = entries.by_id(UnitTable, "unit")
    series = bank.cells_in_series * bank.halves
    nominal_v = 2.0 * series
    if nominal_v > MOST_BANK_V:
        notes.fault(
            f"{place}.cells_in_series",
            f"at most {MOST_BANK_V / 2.0 / bank.halves:g}: one string{_halved(bank)}, not all cells of the bank",
            f"{bank.cells_in_series}, which is {nominal_v:g} V",
        )
    rating_va = _rating_va(bank, entries)
    if nominal_v < LEAST_BANK_V and rating_va >= LARGE_VA:
        notes.warn(
            f"{place}.cells_in_series",
            f"the cells in series{_halved(bank)}, not the blocks (a block of 12 V has 6): cabinets of "
            f"{rating_va:_.0f} VA have {LEAST_BANK_V:g} V or more",
            f"{bank.cells_in_series}, which is {nominal_v:g} V",
        )
    for number, fitted in enumerate(bank.fitted, 1):
        ah = fitted.rated_capacity_ah
        if series * bank.strings != fitted.blocks or ah is None or ah >= SMALL_AH:
            continue
        watts = max((units[name].fitted[-1].rating_w for name in bank.feeds if name in units), default=0.0)
        amps = watts / _CONVERSION / (series * fitted.end_voltage_per_cell_v) / bank.strings
        want = (
            f"the cells and the blocks, which differ: {fitted.blocks} blocks of 12 V are cells_in_series = "
            f"{fitted.blocks * 6 // bank.strings // bank.halves}{_six(series * bank.strings)}"
        )
        got = f"{fitted.blocks} blocks for {series * bank.strings} cells: blocks of 2 V with {ah:g} Ah"
        if amps > MOST_PER_AH * ah:
            got += f", which would have to give {amps:.0f} A at the rating"
            notes.fault(f"{place}.fitted#{number}.blocks", want, got)
        else:
            notes.warn(f"{place}.fitted#{number}.blocks", want, got)


def _halved(bank: BankTable) -> str:
    return " of one half" if bank.halves > 1 else ""


def _six(cells: int) -> str:
    blocks, left = divmod(cells, CELLS_IN_A_BLOCK[-1])
    return "" if left else f", {cells} cells are blocks = {blocks}"


def charging_w(bank: BankTable) -> float:
    """Return the watts that charging an empty bank takes; 0 where its capacity is not declared."""
    ah = bank.fitted[-1].rated_capacity_ah or 0.0
    return CHARGE_PER_AH * ah * bank.strings * bank.cells_in_series * bank.halves * CHARGE_CELL_V


def _check_generator(generator: GeneratorTable, entries: Entries, notes: FaultList) -> None:
    here = f"{entries.place(generator)}.rating_w"
    if generator.rating_w < LEAST_SET_W:
        kilo = f"{round(generator.rating_w * 1000):_}"
        want = f"watts, {LEAST_SET_W:_.0f} or more: kW times 1000, as {kilo}"
        notes.fault(here, want, f"{generator.rating_w:g}")
        return
    supplies = {s.id for s in entries.all(SupplyTable, "supply") if s.generator == generator.id}
    systems = [s for s in entries.all(SystemTable, "system") if s.supply in supplies]
    load_w = charge_w = 0.0
    for system in systems:
        units = [u for u in entries.all(UnitTable, "unit") if u.system == system.id]
        ratings = sorted(u.fitted[-1].rating_w for u in units)
        load_w += sum(ratings[: max(1, len(ratings) - system.spare_units)])
        names = {u.id for u in units}
        charge_w += sum(charging_w(b) for b in entries.all(BankTable, "bank") if names & set(b.feeds))
    if generator.rating_w < load_w + charge_w:
        charge = f", and {charge_w:_.0f} W to charge their banks (0.1 A an Ah)" if charge_w else ""
        notes.warn(
            here,
            f"{load_w + charge_w:_.0f} or more: {load_w:_.0f} W that the units behind it may carry, spares apart{charge}; "
            "else agree what is shed, or how charging is held back on the generator",
            f"{generator.rating_w:_.0f}",
        )


def _check_loads(system: SystemTable, entries: Entries, notes: FaultList) -> None:
    units = [u for u in entries.all(UnitTable, "unit") if u.system == system.id]
    groups = [g for g in entries.all(LoadGroupTable, "load_group") if g.system == system.id]
    if not units or not groups:
        return
    may_w: dict[int, float] = {}
    for unit in units:
        order = unit.line_order or tuple(range(1, unit.output_lines + 1))
        for line in order:
            may_w[line] = may_w.get(line, 0.0) + unit.fitted[-1].rating_w / len(order)
    lines = max(may_w)
    for group in groups:
        if len(group.watts) < lines:
            notes.warn(
                f"{entries.place(group)}.watts",
                f"{lines} figures, one for each line of system {system.id!r}; 0 on a line that carries none of it",
                f"{len(group.watts)}: {_listed(group.watts)}",
            )
    for line in range(1, max(lines, *(len(g.watts) for g in groups)) + 1):
        watts = sum(g.watts[line - 1] for g in groups if len(g.watts) >= line)
        if watts > may_w.get(line, 0.0):
            notes.warn(
                f"{entries.place(system)}.load_groups",
                f"load groups that sum to at most {may_w.get(line, 0.0):_.0f} W on line {line}, the rating of all its "
                "units (watts as measured, not as on the plates)",
                f"{watts:_.0f} W: {', '.join(g.id for g in groups if len(g.watts) >= line and g.watts[line - 1])}",
            )


def _listed(watts: Sequence[float]) -> str:
    return "[" + ", ".join(f"{w:g}" for w in watts) + "]"
