"""The hours of a week in which an alarm of a system would reach nobody."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from itertools import groupby
from typing import Final
from zoneinfo import ZoneInfo

from collector.configuration.faults import FaultList
from collector.configuration.hours import DAYS, within_hours
from collector.configuration.plant_tables import SiteTable, SystemTable
from collector.configuration.references import Entries
from collector.configuration.settings_tables import CommandSettings, MailSettings, PersonTable, TellTable
from rules.values.severity import Severity

GRAVE: Final = (Severity.CRITICAL, Severity.MAJOR)
"""What somebody has to hear of at any hour."""
_STEP: Final = timedelta(minutes=15)
_MONDAY: Final = datetime(2026, 1, 5)  # noqa: DTZ001 - a week by the clock on the wall
_STEPS: Final = timedelta(days=7) // _STEP
_A_DAY: Final = timedelta(days=1) // _STEP
_SAID: Final = 6

Told = tuple[TellTable, str]


def check_hours(entries: Entries, notes: FaultList) -> None:
    """Warn of hours in which a critical or major alarm reaches nobody, by system."""
    if len(entries.of.get("person", [])) < len(entries.ids.get("person", [])):
        return
    people = entries.all(PersonTable, "person")
    sites = entries.by_id(SiteTable, "site")
    if not people:
        mails, commands = entries.all(MailSettings, "channel"), entries.all(CommandSettings, "channel")
        ways = [*(c.id for c in mails), *(c.id for c in commands)]
        if ways:  # webhooks and brokers may be there for machines alone
            want = f"one [[person]] or more who is reached by {ways[0]!r}"
            notes.warn("person", want, "none: alarms stand on the page alone")
        return
    home = next(iter(sites.values())).time_zone if sites else "UTC"
    told: list[Told] = [(tell, person.time_zone or home) for person in people for tell in person.tell]
    found: dict[tuple[str, str], list[str]] = {}
    for system in entries.all(SystemTable, "system"):
        site = sites.get(system.site)
        if site is None:
            continue
        for severity in GRAVE:
            gaps = _gaps(_reaching(told, system, severity), ZoneInfo(site.time_zone))
            if gaps:
                found.setdefault((severity.value, gaps), []).append(system.id)
    for (grave, gaps), systems in found.items():
        named = "system " + ", ".join(systems[:_SAID]) + (" and others" if len(systems) > _SAID else "")
        notes.warn(
            "person",
            f"somebody who is told of a {grave} alarm of {named} at any hour",
            f"nobody {gaps}",
        )


def _reaching(told: Sequence[Told], system: SystemTable, severity: Severity) -> list[Told]:
    return [
        (tell, zone)
        for tell, zone in told
        if severity.rank >= Severity(tell.severity).rank
        and (not tell.about or {system.id, system.site} & set(tell.about))
    ]


def _gaps(told: Sequence[Told], zone: ZoneInfo) -> str:
    """Return the hours of the week in which none of these is told, in words; empty where there are none."""
    open_steps = []
    for step in range(_STEPS):
        at = (_MONDAY + step * _STEP).replace(tzinfo=zone).astimezone(UTC)
        open_steps.append(not any(within_hours(tell, at, theirs) for tell, theirs in told))
    if all(open_steps):
        return "at any hour"
    by_hours: dict[tuple[str, str, int], list[int]] = {}
    for begins, length in _stretches(open_steps):
        ends = (begins + length) % _STEPS
        day, until = begins // _A_DAY, ends // _A_DAY
        days_on = (until - day) % 7
        by_hours.setdefault((_clock(begins), _clock(ends), days_on), []).append(day)
    parts = [
        f"from {begins} to {ends}{_days(days, days_on)}" for (begins, ends, days_on), days in by_hours.items()
    ]
    return "; ".join(parts)


def _stretches(open_steps: Sequence[bool]) -> Iterator[tuple[int, int]]:
    """Yield the start and the length of each stretch without anybody, the one over the end of the week as one."""
    first = open_steps.index(False)
    turned = [(first + k) % len(open_steps) for k in range(len(open_steps))]
    for is_open, steps in groupby(turned, key=lambda step: open_steps[step]):
        if is_open:
            stretch = list(steps)
            yield stretch[0], len(stretch)


def _days(days: Sequence[int], days_on: int) -> str:
    if len(days) == len(DAYS):
        return ""
    named = ", ".join(DAYS[day] for day in sorted(days))
    if days_on > 1:
        return f", from {named} to {DAYS[(days[0] + days_on) % 7]}"
    return f" on {named}"


def _clock(step: int) -> str:
    minutes = step % _A_DAY * 15
    return f"{minutes // 60:02}:{minutes % 60:02}"
