"""The report is one file that needs nothing else: HTML with print styles for A4. It is made from the data folder as of
its newest reading, whether the service runs or not, or by asking a running service with --from.

what: estate (everything); programme (replacements and service by date); system ID; bank ID; isolation UNIT (may it be
taken out for work); plan SYSTEM (a scenario played out, as `plan` has it)."""

from __future__ import annotations

import argparse
import asyncio
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Final
from urllib.parse import quote, urlsplit

from api.commands.exits import Exit, complain
from api.commands.shared import add_data, folder_of

if TYPE_CHECKING:
    from api.http.scenario_body import ScenarioBody
    from api.pages.sheets.report import Report
    from collector.configuration import Configuration
    from collector.read_model.sheet import Sheet
    from collector.read_model.stored_source import StoredSource

NAMED: Final = {"system": "systems", "bank": "banks", "isolation": "units", "plan": "systems"}
"""Reports that are about one thing, and where the estate has its like."""
WHAT: Final = ("estate", "programme", *NAMED)
TIMEOUT_S: Final = 60.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("estate", type=Path, metavar="ESTATE.toml", help="the estate file")
    parser.add_argument("what", choices=WHAT, metavar="WHAT", help=", ".join(WHAT))
    parser.add_argument("id", nargs="?", metavar="ID", help="the system, bank or unit it is about")
    parser.add_argument(
        "--out", type=Path, metavar="FILE.html", help="write it here (default: standard output)"
    )
    parser.add_argument(
        "--scenario",
        type=Path,
        metavar="FILE.json",
        help="for plan: the scenario, as `plan --scenario` has it",
    )
    parser.add_argument(
        "--from", dest="asked", metavar="URL", help="ask the service that runs at this address"
    )
    add_data(parser)


def run(options: argparse.Namespace) -> int:
    """Make the report and write it."""
    from collector.configuration import ConfigError, load  # noqa: PLC0415 - with what follows, only when used
    from collector.read_model.stored import NothingStoredError  # noqa: PLC0415
    from collector.storage.database import StoreError  # noqa: PLC0415

    try:
        configuration = load(options.estate)
    except ConfigError as error:
        return complain(Exit.WRONG_INPUT, *(str(fault) for fault in error.faults))
    wrong = _wrong(options, configuration)
    if wrong is not None:
        return complain(Exit.WRONG_INPUT, wrong)
    try:
        text = _asked(options) if options.asked else asyncio.run(_made(options, configuration))
        if options.out is None:
            sys.stdout.write(text)
        else:
            options.out.write_text(text, encoding="utf-8")
    except (StoreError, NothingStoredError, OSError) as error:
        return complain(Exit.UNREACHABLE, str(error))
    except ValueError as error:
        return complain(Exit.WRONG_INPUT, str(error))
    return int(Exit.DONE)


def _wrong(options: argparse.Namespace, configuration: Configuration) -> str | None:
    """Return what is wrong with the question, or None."""
    kind = NAMED.get(options.what)
    if kind is None:
        return f"{options.what}: want no ID; got {options.id}" if options.id is not None else None
    known = getattr(configuration.estate, kind)
    if options.id not in known:
        return f"{options.what}: want one of {', '.join(known)}; got {options.id or 'nothing'}"
    if options.asked and urlsplit(options.asked).scheme not in {"http", "https"}:
        return f"--from: want an address like http://127.0.0.1:8470; got {options.asked}"
    if options.asked and options.what == "plan":
        return "--from: a plan is made from the data folder; leave --from out"
    return None


def _asked(options: argparse.Namespace) -> str:
    """Return the report as a running service makes it. Raises OSError."""
    import httpx  # noqa: PLC0415 - only here

    parts = [options.what, *([options.id] if options.id else [])]
    url = options.asked.rstrip("/") + "/reports/" + "/".join(quote(part, safe="") for part in parts)
    try:
        found = httpx.get(url, timeout=TIMEOUT_S)
        found.raise_for_status()
    except httpx.HTTPError as error:
        raise OSError(f"{url}: {error}") from error
    return found.text


async def _made(options: argparse.Namespace, configuration: Configuration) -> str:
    """Return the report made from the data folder. Raises ValueError, NothingStoredError and StoreError."""
    from api.pages.sheets.report import document  # noqa: PLC0415
    from collector.read_model.snapshot import Showing  # noqa: PLC0415
    from collector.read_model.stored import StoredEstate  # noqa: PLC0415
    from collector.read_model.stored_source import judged_again  # noqa: PLC0415

    async with StoredEstate(configuration, folder_of(options)) as kept:
        source = await judged_again(kept, lambda text: print(text, file=sys.stderr))
        about = {"estate": list(source.estate.systems), "system": [options.id]}
        await source.answer(about.get(options.what, []))
        sheet = await Showing().sheet(source)
        return document(sheet, await _report(options, source, sheet))


async def _report(options: argparse.Namespace, source: StoredSource, sheet: Sheet) -> Report:
    """Return the report that is asked for. Raises ValueError, and NothingStoredError for a place never read."""
    from api.pages.sheets import report as reports  # noqa: PLC0415
    from collector.planning.planner import WORK, NotYet  # noqa: PLC0415
    from collector.read_model.sources import isolation_of  # noqa: PLC0415
    from collector.read_model.stored import NothingStoredError  # noqa: PLC0415
    from collector.read_model.wall_clock import WallClock  # noqa: PLC0415

    found: Report | None
    planner, configuration, now = source.planner, source.configuration, source.clock.now()
    try:
        if options.what in {"estate", "programme"}:
            jobs = await planner.jobs.programme(configuration.budget.value())
            make = reports.estate_report if options.what == "estate" else reports.programme_report
            return make(sheet, jobs)
        if options.what == "isolation":
            system = configuration.estate.units[options.id].system
            checked = await planner.isolation(system, options.id, now, now + WORK)
            clock = WallClock(configuration.estate.site_of(system).time_zone, now)
            return reports.isolation_report(isolation_of(checked, clock))
        if options.what == "plan":
            body = _scenario(options.scenario)
            zone = configuration.estate.site_of(options.id).time_zone
            result = await planner.ridethrough(options.id, body.value(), body.begins(zone))
            clock = WallClock(zone, now)
            return reports.ride_report(
                sheet, [result], f"what was known on {clock.on(now)}, {clock.second(now)}"
            )
    except NotYet as error:
        raise NothingStoredError(f"No reading of {error} is stored.") from error
    page = reports.system_report if options.what == "system" else reports.bank_report
    found = page(sheet, options.id)
    if found is None:
        raise NothingStoredError(f"Nothing is known of {options.id}.")
    return found


def _scenario(file: Path | None) -> ScenarioBody:
    """Return the scenario of a file, or the usual one. Raises ValueError and OSError."""
    from pydantic import ValidationError  # noqa: PLC0415

    from api.http.scenario_body import ScenarioBody  # noqa: PLC0415

    try:
        return ScenarioBody.model_validate_json(b"{}" if file is None else file.read_bytes())
    except ValidationError as error:
        faults = (f"{'.'.join(map(str, e['loc']))}: {e['msg']}" for e in error.errors())
        raise ValueError("scenario: " + "; ".join(faults)) from error
