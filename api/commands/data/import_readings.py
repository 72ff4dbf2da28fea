"""What `import readings` takes and says: the options, what was found in the file, and what becomes of it."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from datetime import datetime, tzinfo
from typing import Final
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from api.commands.exits import Exit, complain
from api.commands.shared import folder_of
from collector.assessment.past.imports_known import imports_in
from collector.assessment.past.prepared import prepared_path
from collector.assessment.past.reading_file import FileFindings, HowToRead, MadeReady, make_ready
from collector.configuration import ConfigError
from collector.storage.data_folder import LEDGER_FILE
from collector.storage.database import StoreError, make_folder
from collector.storage.history.export.table_files import NotInstalledError
from collector.storage.store_files import whole
from rules.plant.estate import Estate

ROWS_A_MINUTE: Final = 50_000
"""Rows that a running service takes on in a minute beside its work, on a machine that others use as well
(tests/bench/RESULTS.md)."""
MOST_NAMED: Final = 3


def zone_named(text: str) -> tzinfo:
    """Return a zone by its name in the time zone database."""
    try:
        return ZoneInfo(text)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise argparse.ArgumentTypeError(f"want a zone like Europe/London or UTC; got {text!r}") from None


def add_reading_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments that only readings have."""
    parser.add_argument(
        "--unit", metavar="ID", help="readings: the unit of all rows, where no column says it"
    )
    parser.add_argument(
        "--column",
        action="append",
        default=[],
        metavar="WHAT=COLUMN[:UNIT]",
        help="readings: the column that holds something, as battery_voltage_v=Ubat:dV or at=ts:ms; units V dV cV mV, A dA cA, "
        "W kW, VA kVA, C dC F dF K, Hz dHz, %%, s min; may be given several times",
    )
    parser.add_argument(
        "--zone", type=zone_named, metavar="ZONE", help="readings: the zone of times that name none"
    )
    parser.add_argument(
        "--form", metavar="FORM", help="readings: how times are written, as %%d.%%m.%%Y %%H:%%M"
    )
    parser.add_argument(
        "--look",
        action="store_true",
        help="readings, back: say what is in the file or what would go, and change nothing",
    )


def import_readings(options: argparse.Namespace, estate: Estate, now: datetime) -> int:
    """Make a file ready for the service, and say what was found in it."""
    if options.bank is not None or options.at is not None:
        return complain(Exit.WRONG_INPUT, "readings: --bank and --at go with a log or with blocks")
    how = HowToRead(tuple(options.column), options.unit, options.zone, options.form)
    folder = folder_of(options)
    try:
        make_folder(folder)
        whole(folder)
        name = how.digest(options.file)
        before = imports_in(folder / LEDGER_FILE).get(name)
        if before is not None:
            day = datetime.fromisoformat(before["at"])
            print(f"{options.file}: imported on {day:%d %B %Y} by {before['by']}; nothing to do")
            return int(Exit.DONE)
        if prepared_path(folder, name).exists():
            print(f"{options.file}: made ready before; it waits for the service")
            return int(Exit.DONE)
        made = make_ready(
            options.file,
            estate,
            how,
            folder,
            options.by,
            now,
            keep=not options.look,
            progress=lambda rows: print(f"{rows:,} rows read", file=sys.stderr),
        )
    except ConfigError as error:
        return complain(Exit.WRONG_INPUT, *(str(fault) for fault in error.faults))
    except (StoreError, NotInstalledError) as error:
        return complain(Exit.UNREACHABLE, str(error))
    except OSError as error:
        return complain(Exit.UNREACHABLE, f"{error.filename or options.file}: {error.strerror or error}")
    print("\n".join(_told(made)))
    print(_what_comes(made, look=options.look))
    return int(Exit.DONE)


def _told(made: MadeReady) -> Iterator[str]:
    found = made.findings
    for span in made.about.units:
        yield (
            f"{span.unit}: {span.rows:,} readings, {span.first:%Y-%m-%d %H:%M} to {span.last:%Y-%m-%d %H:%M} UTC, "
            f"one every {_lasting(span.period_s)}"
        )
        gaps = [gap for gap in found.gaps if gap.unit == span.unit]
        if gaps:
            longest = max(gaps, key=lambda gap: gap.length)
            yield (
                f"{span.unit}: gaps {len(gaps)}, the longest of {_lasting(longest.length.total_seconds())} "
                f"from {longest.start:%Y-%m-%d %H:%M} UTC on"
            )
    yield from _of_rows(found)
    yield from _of_columns(found)


def _lasting(seconds: float) -> str:
    for unit_s, unit in ((86_400.0, "days"), (3_600.0, "h"), (60.0, "min")):
        if seconds >= 2 * unit_s:
            return f"{seconds / unit_s:.4g} {unit}"
    return f"{seconds:.4g} s"


def _of_rows(found: FileFindings) -> Iterator[str]:
    doubles = found.doubles
    if doubles.same:
        yield f"moments that stand twice with the same figures: {doubles.same:,}; each counts once"
    if doubles.other:
        yield f"moments that stand twice with different figures: {doubles.other:,}; the first is taken"
    if found.contradicted:
        yield (
            f"rows of which output_source and on_battery say different things: {found.contradicted:,}; output_source is taken"
        )
    for night, rows in sorted(found.left_open.items()):
        yield f"{night}: {rows} rows of the hour that comes twice; taken as of the first, since the file shows one"
    if found.silent_rows:
        yield f"rows that say that nothing answered: {found.silent_rows:,}; passed over"


def _of_columns(found: FileFindings) -> Iterator[str]:
    empty = [f"{name} {count:,}" for name, count in found.not_known.most_common(MOST_NAMED)]
    if empty:
        yield f"cells that say nothing: {', '.join(empty)}"
    if found.passed_over:
        named = ", ".join(found.passed_over[: 2 * MOST_NAMED])
        yield f"columns of which nothing is made, since nobody named them: {named}"
    for odd in found.odd:
        yield f"odd, but taken as it is said: {odd}"
    has = found.has
    if not has["output_power_w"]:
        yield "no load by line in watts: no peaks, seasons or sizes come of it"
    elif not (has["output_current_a"] or has["output_apparent_va"]):
        yield "no amperes or volt-amperes: peaks in watts come of it, but no size"
    if not has["source"]:
        yield "no column says when the unit was on its bank: no past discharges come of it"
    elif found.discharges:
        yield f"times on a bank in it: {found.discharges}"
    yield from _of_still_volts(found)


def _of_still_volts(found: FileFindings) -> Iterator[str]:
    for one in found.still:
        where = "in every row" if one.at is None else f"while the bank gave, at {one.at:%Y-%m-%d %H:%M} UTC,"
        yield (
            f"{one.unit}: battery_voltage_v stands at {one.volts:g} V {where} ({one.readings:,} readings): no voltmeter of a bank "
            "does, and no capacity comes of it; see whether the logger or the card refreshes it"
        )


def _what_comes(made: MadeReady, *, look: bool) -> str:
    if look:
        return "Nothing was imported."
    rows = sum(span.rows for span in made.about.units)
    minutes = -(-rows // ROWS_A_MINUTE)
    soon = "within a minute" if minutes <= 1 else f"within {minutes} minutes"
    return (
        f"ready as {made.about.id}. A service that runs on this data folder takes it on {soon} (not while a system is on its "
        "banks) and says so in the journal; if none runs, its next start does. "
        f"`import back {made.about.id}` takes it back."
    )
