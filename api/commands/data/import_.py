"""Past readings are a table with a time a row, CSV or Parquet, of one unit or several. Columns named as in an export are known:
at, unit, output_power_w_1, output_voltage_v_1, output_current_a_1, battery_voltage_v, battery_current_a, battery_temperature_c,
output_source, on_battery (either, or both: output_source counts where it says something) and more; others are named by
--column, with the unit of their figures where it is another. A row goes where nothing was measured; the same file again changes
nothing, and `import back ID` takes a file's readings back. The volts of a bank are those that its card reports.

A discharge log has the columns t_s, bank_voltage_v, bank_current_a, temperature_c, output_power_w, on_battery, in any order;
a file of blocks has block and any of voltage_v, resistance_ohm, conductance_s. Every fault is named with its line."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

from api.commands.data.import_back import import_back
from api.commands.data.import_readings import add_reading_arguments, import_readings
from api.commands.data.replaced import keep
from api.commands.exits import Exit, complain
from api.commands.shared import add_data, add_estate, estate_or_faults, moment_there
from api.http import said
from collector.assessment.evidence_files import imported_blocks, imported_discharge
from collector.configuration import ConfigError
from collector.configuration.toml_text import text_of
from collector.storage.ledger import Transaction
from collector.storage.ledger.discharge_record import from_evidence, shown_id
from collector.storage.ledger.records import Evidence
from rules.phrasing.reasons import said as spoken
from rules.phrasing.reasons import say
from rules.plant.estate import Estate, in_place

READINGS: Final = "readings"
BACK: Final = "back"
KINDS = (READINGS, "discharge", "acceptance", "blocks", BACK)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument(
        "kind",
        choices=KINDS,
        help="readings of a time before ridethrough ran; a past discharge test, the acceptance test of new blocks, or "
        "hand-measured blocks; back: takes an import of readings back, by its id in place of a file",
    )
    parser.add_argument(
        "file",
        type=Path,
        metavar="FILE",
        help="the readings, the log or the measurements; an import's id after back, of readings, a log or blocks",
    )
    parser.add_argument("--bank", metavar="ID", help="the bank it is of; not with readings")
    parser.add_argument(
        "--at",
        type=moment_there,
        metavar="TIME",
        help="time of the first row, or of measuring, by the clocks of the bank's site where it names no zone (what was taken is "
        "said); not with readings",
    )
    parser.add_argument(
        "--by", required=True, type=said.name, metavar="NAME", help="who vouches for it, or takes it back"
    )
    add_reading_arguments(parser)
    add_estate(parser)
    add_data(parser)


def run(options: argparse.Namespace) -> int:
    """Read the file and keep what is in it."""
    now = datetime.now(UTC)
    if options.kind == BACK:
        return import_back(options, now)
    configuration, faults = estate_or_faults(options.estate)
    if configuration is None:
        return complain(Exit.WRONG_INPUT, *faults)
    if options.kind == READINGS:
        return import_readings(options, configuration.estate, now)
    if options.bank is None or options.at is None:
        return complain(Exit.WRONG_INPUT, f"{options.kind}: want --bank ID and --at TIME")
    zone = _zone_of(configuration.estate, options.bank)
    try:
        options.at = (
            options.at if options.at.tzinfo is not None else options.at.replace(tzinfo=zone)
        ).astimezone(UTC)
    except OverflowError:
        return complain(Exit.WRONG_INPUT, f"--at: want a time of a bank's life; got {options.at.isoformat()}")
    if options.at > now:
        return complain(
            Exit.WRONG_INPUT,
            f"--at: want a time that is past ({now:%Y-%m-%dT%H:%MZ}); got {options.at:%Y-%m-%dT%H:%MZ}",
        )
    try:
        line = _evidence(options, configuration.estate, text_of(options.file, "a CSV file"))
    except ConfigError as error:
        return complain(Exit.WRONG_INPUT, *(str(fault) for fault in error.faults))

    def write(tx: Transaction) -> None:
        tx.save_evidence(line)
        tx.drop_evidence(
            shown_id(line.id)
        )  # a log that is put right is judged anew, whatever the first one showed

    code = keep(options, write)
    if code == Exit.DONE:
        there = line.at.astimezone(zone)
        print(
            f"recorded: {options.kind} of bank {options.bank} at {there:%Y-%m-%d %H:%M} by the site's clocks ({zone}; "
            f"{line.at:%Y-%m-%d %H:%M} UTC), as {line.id}; `import back {line.id}` takes it back\n"
            f"{''.join(f'{one}{chr(10)}' for one in _oddities(configuration.estate, line))}"
            "A service that runs on this data folder judges it within a minute; if none runs, its next start does."
        )
    return code


def _zone_of(estate: Estate, bank: str) -> tzinfo:
    """Return the zone of the clocks where a bank stands; UTC of a bank that is none."""
    if bank not in estate.banks:
        return UTC
    return ZoneInfo(estate.site_of(estate.units[estate.banks[bank].feeds[0]].system).time_zone)


def _oddities(estate: Estate, line: Evidence) -> Iterator[str]:
    """Say what is odd about a log while its bringer is still there: what was mended in it, or why it tells nothing."""
    if line.kind == "hand":
        return
    # numpy and the physics behind it are loaded only when a log was really brought
    from rules.battery.discharge.capacity import judge_discharge  # noqa: PLC0415
    from rules.battery.discharge.record.clean_discharge import battery_of  # noqa: PLC0415

    bank = estate.banks[line.bank]
    fitted = in_place(bank.fitted, line.at.date())
    if fitted is None:
        return
    found = judge_discharge(from_evidence(line).log, battery_of(bank, fitted))
    if found.cannot_tell is not None:
        yield f"Cannot tell from it what the bank gives: {say(found.cannot_tell)}."
    yield from (f"note: {one}" for one in spoken(found.because))


def _evidence(options: argparse.Namespace, estate: Estate, text: str) -> Evidence:
    name = str(options.file)
    if options.kind == "blocks":
        return imported_blocks(estate, options.bank, options.at, options.by, text=text, name=name)
    kind = "acceptance" if options.kind == "acceptance" else "import"
    return imported_discharge(estate, options.bank, options.at, options.by, text=text, name=name, kind=kind)
