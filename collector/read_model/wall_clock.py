"""The clock on a site's wall, by which every time on a sheet is written."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from rules.phrasing.dates import day_words


class WallClock:
    """The clock on a site's wall: every time on a sheet is written by it. The sheet itself is in UTC."""

    def __init__(self, time_zone: str, now: datetime) -> None:
        self.zone = ZoneInfo(time_zone)
        self.now = now
        self.today = now.astimezone(self.zone).date()

    def at(self, moment: datetime) -> str:
        """Return the time of day, with the date where it is not today's."""
        local = moment.astimezone(self.zone)
        clock = f"{local:%H:%M:%S}"
        return clock if local.date() == self.today else f"{self.day(local.date())}, {local:%H:%M}"

    def span(self, begin: datetime, end: datetime) -> str:
        """Return from when to when, the day once where it is one."""
        if self.on(begin) != self.on(end):
            return f"{self.at(begin)} to {self.at(end)}"
        day = "" if begin.astimezone(self.zone).date() == self.today else f"{self.on(begin)}, "
        return f"{day}{self.second(begin)} to {self.second(end)}"

    def second(self, moment: datetime) -> str:
        """Return the time of day to the second, whatever the day."""
        return f"{moment.astimezone(self.zone):%H:%M:%S}"

    def minute(self, moment: datetime, *, late: bool = False) -> str:
        """Return the time of day to the minute that has begun; `late`: to the one that is next."""
        whole = moment.replace(second=0, microsecond=0)
        if late and whole < moment:
            whole += timedelta(minutes=1)
        return f"{whole.astimezone(self.zone):%H:%M}"

    def on(self, moment: datetime) -> str:
        """Return the local date of a moment."""
        return self.day(moment.astimezone(self.zone).date())

    def head(self, moment: datetime) -> tuple[str, str, str]:
        """Return the parts of a running head: weekday and date, time of day, zone."""
        local = moment.astimezone(self.zone)
        offset = local.utcoffset() or timedelta(0)
        hours, rest = divmod(abs(int(offset.total_seconds())) // 60, 60)
        sign = "-" if offset < timedelta(0) else "+"
        return (
            f"{local:%a} {self.day(local.date())}",
            f"{local:%H:%M:%S}",
            f"UTC{sign}{hours}{f':{rest:02d}' if rest else ''}",
        )

    @staticmethod
    def day(day: date) -> str:
        """Return "9 Oct 2026"."""
        return day_words(day)
