"""TARGET is snmp://HOST or snmp://HOST:PORT. Only reads; give the card an identity that may do no more."""

from __future__ import annotations

import argparse
import asyncio
import json
from typing import Any

from api.commands.cards.credentials import WrongCredentialsError, add_credentials, credentials_from
from api.commands.exits import Exit, complain
from collector.cards.commissioning.probe import ProbeReport, probe, starter
from collector.cards.corrections.sample import Declared
from collector.cards.snmp.client import Patience
from collector.cards.snmp.errors import SnmpError
from collector.cards.snmp.target import parse_target
from collector.configuration.impossible import LEAST_VA, MOST_VA
from rules.phrasing.wire import reading_json, to_json
from rules.plant.reading import Doubt, Reading


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("target", metavar="TARGET", help="the card, as snmp://HOST[:PORT]")
    parser.add_argument("--json", action="store_true", help="JSON for scripts")
    parser.add_argument(
        "--deadline", type=float, default=2.0, metavar="S", help="seconds to wait for one reply (default: 2)"
    )
    parser.add_argument(
        "--starter", action="store_true", help="print a whole estate file for this card instead of the report"
    )
    parser.add_argument(
        "--rating-va", type=float, metavar="VA", help="the plate's rating, where the card has none that holds"
    )
    parser.add_argument("--rating-w", type=float, metavar="W", help="the same in watts")
    add_credentials(parser)


def run(options: argparse.Namespace) -> int:
    """Read the card and say what was found."""
    try:
        target = parse_target(options.target)
    except ValueError as error:
        return complain(Exit.WRONG_INPUT, f"TARGET: want {error}")
    try:
        credentials = credentials_from(options)
    except WrongCredentialsError as error:
        return complain(Exit.WRONG_INPUT, str(error))
    if not 0.1 <= options.deadline <= 60.0:
        return complain(Exit.WRONG_INPUT, f"--deadline: want 0.1 to 60 s; got {options.deadline:g}")
    for option, value in (("--rating-va", options.rating_va), ("--rating-w", options.rating_w)):
        if value is not None and not LEAST_VA <= value <= MOST_VA:
            return complain(
                Exit.WRONG_INPUT,
                f"{option}: want {LEAST_VA:g} to {MOST_VA:_.0f}, kVA times 1000; got {value:g}",
            )
    patience = Patience(deadline_s=options.deadline)
    declared = Declared(rating_va=options.rating_va, rating_w=options.rating_w)
    try:
        report = asyncio.run(
            probe(target, credentials, patience=patience, secret=options.secret, declared=declared)
        )
    except SnmpError as error:
        return complain(Exit.UNREACHABLE, f"{target}: {error}")
    if options.starter:
        return _start(report, rated=declared)
    print(
        json.dumps(report_json(report), indent=2, ensure_ascii=False) if options.json else report_text(report)
    )
    return int(Exit.DONE)


def _start(report: ProbeReport, rated: Declared) -> int:
    """Print a whole estate file; what the card cannot tell, and the secrets it wants, go to standard error."""
    print(starter(report), end="")
    complain(
        Exit.DONE,
        "Beside it belongs secrets.toml, mode 0600, with the name and the credentials of the card, as "
        '[cards] and community = "..." below it.',
    )
    plate = report.reading.nameplate
    if not (rated.rating_va or plate.rating_va) or not (rated.rating_w or plate.rating_w):
        return complain(
            Exit.CANNOT_TELL,
            "The card tells no rating that holds: read it from the plate, and give it by --rating-va and --rating-w.",
        )
    return int(Exit.DONE)


def report_json(report: ProbeReport) -> dict[str, Any]:
    """Return the report as the interface has it: READING as `reading`, doubts and missing objects beside it."""
    return {
        "target": report.target,
        "snmp_version": report.snmp_version,
        "reading": reading_json(report.reading),
        "doubts": to_json(report.reading.doubts),
        "missing": list(report.missing),
        "supported": list(report.supported),
        "notes": list(report.notes),
        "estate_entry": report.estate_entry,
    }


def report_text(report: ProbeReport) -> str:
    """Return the report for people."""
    reading = report.reading
    plate = reading.nameplate
    name = " ".join(filter(None, (plate.manufacturer, plate.model))) or "a card that does not say what it is"
    parts = [
        f"{report.target}: {name}",
        f"SNMP {report.snmp_version}; {len(report.supported)} objects of RFC 1628 held, {len(report.missing)} missing; "
        f"{report.cost.requests} requests, {report.cost.duration_s * 1000:.0f} ms",
        "",
        *_rows(reading),
    ]
    if reading.doubts:
        parts += ["", "Corrected or doubted:", *(f"  {_doubt(doubt)}" for doubt in reading.doubts)]
    if report.missing:
        parts += ["", "Missing: " + ", ".join(report.missing)]
    if report.notes:
        parts += ["", *(f"- {note}" for note in report.notes)]
    parts += ["", "For the estate file:", "", report.estate_entry.rstrip()]
    return "\n".join(parts)


def _rows(reading: Reading) -> list[str]:
    battery, output = reading.battery, reading.output
    rows = [
        f"  output from   {output.source.value if output.source else 'not known'}, {_number(output.frequency_hz, 'Hz', 1)}",
        *(
            f"  output L{o.line}     {_number(o.voltage_v, 'V')}, {_number(o.current_a, 'A', 1)}, {_number(o.power_w, 'W')}, "
            f"{_number(o.load_pct, '% of its rating')}"
            for o in output.lines
        ),
        *(
            f"  input L{i.line}      {_number(i.voltage_v, 'V')}, {_number(i.frequency_hz, 'Hz', 1)}, {_number(i.power_w, 'W')}"
            for i in reading.input.lines
        ),
        f"  battery       {battery.status.value if battery.status else 'status not known'}, {_number(battery.voltage_v, 'V', 1)}, "
        f"{_number(battery.current_a, 'A', 1)}, {_number(battery.temperature_c, 'degC')}",
        f"  card claims   {_number(None if battery.card_runtime_s is None else battery.card_runtime_s / 60, 'min')} "
        f"at {_number(battery.charge_pct, '% charge')} (a claim, used for nothing)",
    ]
    if reading.card_alarms:
        rows.append(f"  alarms        {', '.join(reading.card_alarms)}")
    return rows


def _number(value: float | None, unit: str, places: int = 0) -> str:
    return f"{unit} not known" if value is None else f"{value:.{places}f} {unit}"


def _doubt(doubt: Doubt) -> str:
    line = "" if doubt.line is None else f" line {doubt.line}"
    return f"{doubt.object}{line}: {doubt.raw} {_used(doubt)}: {doubt.reason}"


def _used(doubt: Doubt) -> str:
    """Return what became of a value: nothing, another, or itself, as nought does by any factor."""
    if doubt.used is None:
        return "not used"
    if isinstance(doubt.used, str):
        return f"used as {doubt.used}"
    same = isinstance(doubt.raw, int) and doubt.raw == doubt.used
    return "is the same either way" if same else f"used as {doubt.used:g}"
