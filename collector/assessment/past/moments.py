"""Times as people and programs write them: with their zone, in a named zone's clock, in a form, or as seconds since 1970.

A zone's clock shows one hour twice in autumn, and leaves one out in spring. In the hour that comes twice a file in order of
time tells the first from the second by going back; one that shows the hour once leaves it open which of the two it was, and
is told so. A time that the clock never shows is a fault: the zone is another, or the file's clock was not set.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Final

SECONDS: Final = "s"
MILLISECONDS: Final = "ms"
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)


class MomentError(ValueError):
    """A text is no moment. Carries what was wanted."""

    def __init__(self, want: str) -> None:
        self.want = want
        super().__init__(f"want {want}")


@dataclass(slots=True)
class WrittenMoments:
    """Reads the times of one file. `zone`: the clock of times that name none; `form`: as strptime takes it, or None.

    `since_1970`: `SECONDS` or `MILLISECONDS` where times are numbers.
    """

    zone: tzinfo | None = None
    form: str | None = None
    since_1970: str | None = None
    first_of_two: Counter[str] = field(default_factory=Counter)
    """By unit and night (`unit day`), the rows taken as of the first pass of the hour that comes twice."""
    second_of_two: Counter[str] = field(default_factory=Counter)
    _before: dict[str, datetime] = field(default_factory=dict)

    def read(self, cell: str | datetime, unit: str = "") -> datetime:
        """Return a moment, UTC. Raises MomentError."""
        found = cell if isinstance(cell, datetime) else self._parsed(cell.strip())
        if found.tzinfo is not None:
            return found.astimezone(UTC)
        if self.zone is None:
            raise MomentError("a time with its zone, as 2026-11-24T14:00:00Z, or the clock's zone by --zone")
        return self._by_the_clock(found, self.zone, unit)

    def _parsed(self, text: str) -> datetime:
        try:
            if self.since_1970 is not None:
                number = float(text)
                return _EPOCH + timedelta(seconds=number if self.since_1970 == SECONDS else number / 1000.0)
            if self.form is not None:
                return datetime.strptime(text, self.form)  # noqa: DTZ007 - the zone is given beside
            return datetime.fromisoformat(text)
        except (ValueError, OverflowError):
            form = (
                "a day and time as 2026-11-24T14:00:00" if self.form is None else f"a time like {self.form}"
            )
            wanted = f"a number of {self.since_1970} since 1970" if self.since_1970 else form
            raise MomentError(wanted) from None

    def _by_the_clock(self, shown: datetime, zone: tzinfo, unit: str) -> datetime:
        first = shown.replace(tzinfo=zone, fold=0)
        second = shown.replace(tzinfo=zone, fold=1)
        offsets = first.utcoffset(), second.utcoffset()
        found = first.astimezone(UTC)
        if offsets[0] != offsets[1]:
            if found.astimezone(zone).replace(tzinfo=None) != shown:
                raise MomentError(f"a time that the clock of {zone} shows: it was put on over this one")
            before = self._before.get(unit)
            late = second.astimezone(UTC)
            night = f"{unit} {shown.date()}".strip()
            if before is not None and before >= found and late > before:
                found = late
                self.second_of_two[night] += 1
            else:
                self.first_of_two[night] += 1
        self._before[unit] = found
        return found

    @property
    def left_open(self) -> dict[str, int]:
        """Return the rows of hours that come twice of which only one pass was there, by unit and night."""
        return {night: rows for night, rows in self.first_of_two.items() if night not in self.second_of_two}
