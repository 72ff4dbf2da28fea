"""The hours in which an alarm of a system would reach nobody: of a week, or of a year where a rota decides."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from itertools import groupby
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

from collector.configuration.channel_tables import CommandSettings, MailSettings
from collector.configuration.faults import FaultList
from collector.configuration.people.hours import DAYS, within_hours
from collector.configuration.people.rota import Rota, stretches
from collector.configuration.people.rota_calendar import RotaCalendar, gaps
from collector.configuration.people.tables import PersonTable, RotaCalendarTable, RotaTable, TellTable
from collector.configuration.plant.sites import SiteTable, SystemTable
from collector.configuration.references import Entries
from rules.values.severity import Severity

GRAVE: Final = (Severity.CRITICAL, Severity.MAJOR)
"""What somebody has to hear of at any hour."""
SLIGHT: Final = (Severity.MINOR, Severity.WARNING)
"""What somebody has to hear of at some hour; what stands when their hours begin is handed over to them then."""
_STEP: Final = timedelta(minutes=15)
_MONDAY: Final = datetime(2026, 1, 5)  # noqa: DTZ001 - a week by the clock on the wall
_STEPS: Final = timedelta(days=7) // _STEP
_A_DAY: Final = timedelta(days=1) // _STEP
_SAID: Final = 6

_WEEKS: Final = 53
"""So many weeks from the start are looked at where a rota decides: a year and what is left of a week."""
_GAPS_SAID: Final = 3


@dataclass(frozen=True, slots=True)
class _Told:
    """One `tell` of one person, and the time zone of its hours."""

    tell: TellTable
    zone: str
    person: str


def check_hours(
    entries: Entries, notes: FaultList, calendars: Sequence[RotaCalendar] = (), today: date | None = None
) -> None:
    """Warn of hours in which a critical or major alarm reaches nobody, by system, and of lesser ones that reach nobody ever.

    Where a rota decides, the year from `today` is looked at (without it, from the first turn of each rota).
    """
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
    told = [_Told(tell, person.time_zone or home, person.name) for person in people for tell in person.tell]
    rotas = rotas_by_id(entries, calendars)
    found: dict[tuple[str, str], list[str]] = {}
    for system in entries.all(SystemTable, "system"):
        site = sites.get(system.site)
        if site is None:
            continue
        for severity in GRAVE:
            zone = ZoneInfo(site.time_zone)
            gaps = _gaps(_reaching(told, system, severity), zone, _Year(rotas, home, zone, today))
            if gaps:
                found.setdefault((severity.value, gaps), []).append(system.id)
        for severity in SLIGHT:
            if not _reaching(told, system, severity):
                found.setdefault((severity.value, ""), []).append(system.id)
    for (grave, gaps), systems in found.items():
        named = "system " + ", ".join(systems[:_SAID]) + (" and others" if len(systems) > _SAID else "")
        if not gaps:
            want = f"somebody who is told of a {grave} alarm of {named}, at whatever hour"
            notes.warn(
                "person.tell", want, "nobody: it stands on the page alone; a bank to be ordered is one such"
            )
            continue
        notes.warn(
            "person",
            f"somebody who is told of a {grave} alarm of {named} at any hour",
            f"nobody {gaps}",
        )


def rotas_by_id(entries: Entries, calendars: Sequence[RotaCalendar]) -> dict[str, Rota]:
    """Return what says who is on call, turns and calendars."""
    return {**entries.by_id(RotaTable, "rota"), **{one.id: one for one in calendars}}


def rota_calendars(
    entries: Entries, folder: Path, notes: FaultList, today: date | None = None
) -> tuple[RotaCalendar, ...]:
    """Return the calendars of turns as they were read; warn of what is wrong with them, and of a year's holes from `today`."""
    found = []
    sites = entries.all(SiteTable, "site")
    home = sites[0].time_zone if sites else "UTC"
    for table in entries.all(RotaCalendarTable, "rota_calendar"):
        people = entries.all(PersonTable, "person")
        names = [p.name for p in people if any(tell.on_call == table.id for tell in p.tell)]
        calendar = RotaCalendar(table, folder, names, home)
        zone = ZoneInfo(table.time_zone or home)
        now = datetime.now(UTC) if today is None else datetime.combine(today, time(), zone)
        wrong, place = calendar.refresh(now), f"{entries.place(table)}.file"
        found.append(calendar)
        if wrong is not None:
            notes.warn(place, "a calendar; until it can be read all who are told by it are told", wrong)
            continue
        for event in calendar.strangers[:_GAPS_SAID]:
            want = f"in each summary the name of one person whose `tell` has on_call = {table.id!r}"
            notes.warn(place, want, f"{event.summary!r} at {_wall_words(event.begins, zone)}")
        holes = gaps(calendar, now, now + timedelta(days=365))
        if holes:
            said = "; ".join(
                f"from {_wall_words(begins, zone)} to {_wall_words(ends, zone)}"
                for begins, ends in holes[:_GAPS_SAID]
            )
            more = f"; and {len(holes) - _GAPS_SAID} more times" if len(holes) > _GAPS_SAID else ""
            notes.warn(
                place, "somebody's turn at any hour of the next year", f"nobody's {said}{more}: all are told"
            )
    return tuple(found)


def _wall_words(moment: datetime, zone: ZoneInfo) -> str:
    return _day_and_clock(moment.astimezone(zone))


def _reaching(told: Sequence[_Told], system: SystemTable, severity: Severity) -> list[_Told]:
    return [
        one
        for one in told
        if severity.rank >= Severity(one.tell.severity).rank
        and (not one.tell.about or {system.id, system.site} & set(one.tell.about))
    ]


@dataclass(frozen=True, slots=True)
class _Year:
    """The rotas, and the year by the clock of a site in which their turns are looked at."""

    rotas: Mapping[str, Rota]
    home: str
    zone: ZoneInfo
    today: date | None

    def monday(self) -> datetime:
        """Return the start of the week the year begins in, by the clock on the wall."""
        starts = [rota.from_time.date() for rota in self.rotas.values() if isinstance(rota, RotaTable)]
        day = self.today or max(starts, default=_MONDAY.date())
        return datetime.combine(day - timedelta(days=day.weekday()), time())

    def first(self) -> int:
        """Return the quarter of an hour, from that Monday on, with which the day begins that is looked at from."""
        return 0 if self.today is None else self.today.weekday() * _A_DAY

    def turns(self, told: _Told) -> bytearray:
        """Return by quarter of an hour whether the person of `told` is on call by its rota."""
        found = bytearray(_WEEKS * _STEPS)
        rota = self.rotas.get(told.tell.on_call or "")
        if rota is None:
            return found
        monday = self.monday()
        start = monday.replace(tzinfo=self.zone).astimezone(UTC)
        if isinstance(
            rota, RotaCalendar
        ):  # whose holes are told of by themselves: then all of its people are told
            return bytearray(b"\x01" * len(found))
        for stretch in stretches(rota, start, start + _WEEKS * timedelta(days=7), self.home):
            if stretch.person == told.person:
                low, high = (self._step(moment, monday) for moment in (stretch.begins, stretch.ends))
                found[low:high] = b"\x01" * (high - low)
        return found

    def _step(self, moment: datetime, monday: datetime) -> int:
        wall = moment.astimezone(self.zone).replace(tzinfo=None)
        return min(max((wall - monday) // _STEP, 0), _WEEKS * _STEPS)


def _gaps(told: Sequence[_Told], zone: ZoneInfo, year: _Year) -> str:
    """Return the hours in which none of these is told, in words; empty where there are none."""
    always = [one for one in told if one.tell.on_call is None]
    open_steps = [not is_told for is_told in _week(always, zone)]
    turned = [one for one in told if one.tell.on_call is not None]
    if not any(open_steps) or not turned or not year.rotas:
        return _in_a_week(open_steps)
    open_year = bytearray(open_steps * _WEEKS)
    for one in turned:
        hours = _week([one], zone) * _WEEKS
        for step, on_turn in enumerate(year.turns(one)):
            if on_turn and hours[step]:
                open_year[step] = 0
    weeks = {bytes(open_year[k * _STEPS : (k + 1) * _STEPS]) for k in range(1, _WEEKS)}
    if len(weeks) == 1:
        return _in_a_week([bool(step) for step in weeks.pop()])
    return _by_date(open_year, year)


def _week(told: Sequence[_Told], zone: ZoneInfo) -> list[bool]:
    """Return by quarter of an hour of a week at a site, whether anybody of these is told by hours and days."""
    found = []
    for step in range(_STEPS):
        at = (_MONDAY + step * _STEP).replace(tzinfo=zone).astimezone(UTC)
        found.append(any(within_hours(one.tell, at, one.zone) for one in told))
    return found


def _by_date(open_year: bytearray, year: _Year) -> str:
    monday, parts = year.monday(), []
    step = year.first()
    while step < len(open_year):
        if open_year[step]:
            end = open_year.find(0, step)
            end = len(open_year) if end < 0 else end
            begins, ends = (monday + k * _STEP for k in (step, end))
            parts.append(f"from {_day_and_clock(begins)} to {_day_and_clock(ends)}")
            step = end
        step += 1
    more = f"; and {len(parts) - _GAPS_SAID} more times" if len(parts) > _GAPS_SAID else ""
    return "; ".join(parts[:_GAPS_SAID]) + more


def _day_and_clock(wall: datetime) -> str:
    return f"{DAYS[wall.weekday()]} {wall.day} {wall:%b %Y %H:%M}"


def _in_a_week(open_steps: Sequence[bool]) -> str:
    if not any(open_steps):
        return ""
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
