"""The shutdowns signed for a system, each as a sheet of text to take along: `ridethrough plan --signed`."""

from __future__ import annotations

import argparse
import asyncio
import json
from collections.abc import Sequence
from datetime import timedelta
from zoneinfo import ZoneInfo

from api.commands.exits import Exit, complain
from api.commands.shared import default_data
from api.http.shutdown_body import plan_json
from collector.configuration import Configuration
from collector.planning.signed_book import SignedShutdown
from collector.read_model.stored import NothingStoredError, signed
from collector.storage.database import StoreError
from rules.phrasing.dates import day_of
from rules.phrasing.reasons import said, say
from rules.phrasing.signed_shutdown import stretch_words
from rules.phrasing.text import at_least, at_most, lasted
from rules.planning.ridethrough.signed_course import Status


def show(options: argparse.Namespace, configuration: Configuration, systems: Sequence[str]) -> int:
    """Print the signed shutdowns of some systems in the data folder."""
    estate = configuration.estate
    try:
        found = asyncio.run(signed(options.data or default_data(), systems))
    except (StoreError, NothingStoredError) as error:
        return complain(Exit.UNREACHABLE, str(error))
    if options.json:
        print(json.dumps([plan_json(kept) for kept in found], indent=2, ensure_ascii=False))
        return int(Exit.DONE)
    without = [name for name in systems if name not in {kept.plan.system for kept in found}]
    parts = [
        sheet(kept, estate.systems[kept.plan.system].name, estate.site_of(kept.plan.system).time_zone)
        for kept in found
    ]
    parts += [f"No shutdown is signed for {name}." for name in without]
    print("\n\n".join(parts))
    return int(Exit.DONE)


def sheet(kept: SignedShutdown, name: str, time_zone: str) -> str:
    """Return one signed shutdown as text, by the clock of the site."""
    plan, course, zone = kept.plan, kept.course, ZoneInfo(time_zone)

    def at(seconds: float) -> str:
        return f"{(plan.starts_at + timedelta(seconds=seconds)).astimezone(zone):%H:%M:%S}"

    start, signed = plan.starts_at.astimezone(zone), plan.signed_at.astimezone(zone)
    lines = [
        f"Planned shutdown of {name}, {start:%a} {day_of(start, zone)} {start:%H:%M:%S} ({time_zone}): {course.status.value}",
        f"Signed by {plan.signed_by}, {day_of(signed, zone)} {signed:%H:%M:%S}, mark {kept.id}",
        *([f"What for: {plan.note}"] if plan.note else []),
        *([f"Withdrawn by {course.by}: {course.why}"] if course.status is Status.WITHDRAWN else []),
        "",
        "On the banks:",
        *(
            f"  {at(s.from_s)} to {at(s.until_s)}, {at_most(s.until_s - s.from_s)}: {stretch_words(plan, s)}"
            for s in plan.stretches
        ),
        "Break off when:",
        "  the banks may end before supply is planned back",
        f"  they are needed {lasted(plan.limits.overrun_s)} longer than planned",
        f"  the load is over {plan.load_w * (1.0 + plan.limits.load_over) / 1e3:.1f} kW",
        f"  one of these leaves or is not seen: {', '.join(plan.counted_on)}",
    ]
    if plan.limits.margin_s > 0.0:
        lines.append(f"  less than {at_most(plan.limits.margin_s)} are to spare")
    spare = plan.result.margin_s
    lines += [
        "Counted on:",
        f"  {plan.load_w / 1e3:.1f} kW to carry",
        *([] if spare is None else [f"  {at_least(spare)} to spare at the least, when it was signed"]),
    ]
    if kept.compared:
        lines.append("Foretold, and what happened:")
        lines += [
            f"  {say(row.what)}: {say(row.foretold)}; {say(row.happened)}{' (missed)' if row.inside is False else ''}"
            for row in kept.compared
        ]
    lines += ["Assumed:", *(f"  - {text}" for text in said(plan.result.assumptions))]
    lines += [
        "Not checked:",
        *(f"  - {text}" for text in said(plan.result.not_checked)),
        "",
        *said(plan.safety),
    ]
    return "\n".join(lines)
