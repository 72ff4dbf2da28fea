"""When a bank is to be tested next, from the planned work that is declared."""

from __future__ import annotations

import asyncio
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Final, Self

from collector.configuration import Configuration
from collector.configuration.people.rota_calendar import CalendarError, RotaCalendar
from collector.configuration.settings_tables import CalendarTable, PlannedWorkTable
from collector.messaging.delivery.office import home_zone
from collector.planning.planned_work import calendar_windows, windows
from rules.alarms.windows import Window
from rules.plant.estate import Bank, Estate
from rules.plant.topology import Topology

BANK_TEST: Final = "bank_test"
AHEAD: Final = timedelta(days=2 * 366)
"""Banks are tested at least every two years (IEEE 1188); what is planned later moves no order."""


class PlannedTests:
    """Looks for planned bank tests in the estate file and in calendars."""

    def __init__(self, estate: Estate, planned: PlannedSources) -> None:
        self._topology = Topology(estate)
        self._planned = planned

    async def next_test(self, bank: Bank, now: datetime) -> date | None:
        """Return the day of a bank's next test, None where none is planned within two years.

        A calendar that cannot be read plans nothing here; the service's own figures say so.
        """
        planned = self._planned
        tables = [t for t in planned.work if t.explains == BANK_TEST]
        found: list[Window] = list(windows(tables, now, time_zone=planned.time_zone, ahead=AHEAD))
        for table in planned.calendars:
            if table.explains == BANK_TEST:
                try:
                    found += await asyncio.to_thread(
                        calendar_windows,
                        table,
                        planned.folder,
                        now,
                        time_zone=planned.time_zone,
                        ahead=AHEAD,
                    )
                except CalendarError:
                    continue
        return self._first(bank, now, found)

    def _first(self, bank: Bank, now: datetime, found: Iterable[Window]) -> date | None:
        places = {bank.id, *bank.feeds}
        starts = [
            window.start
            for window in found
            if window.start >= now and any(self._topology.covers(window.about, place) for place in places)
        ]
        return min(starts).date() if starts else None


@dataclass(frozen=True, slots=True)
class PlannedSources:
    """Where planned work is declared: tables of the estate file and calendar files beside it."""

    folder: Path
    time_zone: str
    work: tuple[PlannedWorkTable, ...] = ()
    calendars: tuple[CalendarTable, ...] = ()
    rotas: tuple[RotaCalendar, ...] = ()
    """The calendars that say who is on call, which are read anew with the others."""

    @classmethod
    def of(cls, configuration: Configuration) -> Self:
        """Return where the estate file says that planned work is declared."""
        return cls(
            configuration.path.parent,
            home_zone(configuration),
            configuration.planned_work,
            configuration.calendars,
            configuration.people.calendars,
        )
