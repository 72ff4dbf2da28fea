"""All sites as one estate, and what is true of it now as far as they say: what is quiet is shown as what cannot be told.

Nothing is judged here but whether a site is heard. `look` is called whenever something came, and once a second; what is
shown is replaced whole when another plant is declared, else thing by thing, as at a site.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import fields, replace
from datetime import datetime
from typing import Any, Final, TypeVar

from collector.messaging.centre.parts import QUIET_AFTER_S, SystemPart
from collector.messaging.delivery.letter import Telling
from collector.process.clock import Clock
from collector.read_model.centre.site_said import SiteSaid
from collector.recorder.current_state import Present
from rules.alarms.catalogue import CATALOGUE
from rules.alarms.lifecycle.alarm import Alarm, new_alarm
from rules.alarms.lifecycle.states import State
from rules.plant.estate import EMPTY, Estate, WatchPower
from rules.plant.reading import Silence, Stamp
from rules.system.outage.unheard import unheard
from rules.values.code import Code
from rules.values.reason import Reason, reason

T = TypeVar("T")
log: Final = logging.getLogger(__name__)

_APART: Final = frozenset({"watch_power"})
SILENT: Final = "collector_silent"


def joined(estates: Iterable[Estate]) -> Estate:
    """Return several estates as one; their things have names of their own. What keeps each watch alive is its own affair."""
    held: dict[str, dict[str, Any]] = {f.name: {} for f in fields(Estate) if f.name not in _APART}
    for estate in estates:
        for name in held:
            held[name] |= getattr(estate, name)
    return Estate(**held, watch_power=WatchPower())


class JoinedPresent:
    """What is true of all sites now. `present` is another object once another plant is declared: ask for it each time."""

    def __init__(self, sites: Mapping[str, SiteSaid], clock: Clock) -> None:
        self.sites = sites
        self._clock = clock
        self._began_s = clock.monotonic_s()
        self.present = Present(EMPTY)
        self.told: dict[str, tuple[Telling, ...]] = {}
        self._estates: tuple[Estate | None, ...] = ()
        self._shown: dict[str, tuple[SystemPart, bool]] = {}
        self._alarms: dict[str, Alarm] = {}

    @property
    def estate(self) -> Estate:
        """Return what is installed at all sites of which that is known."""
        return self.present.estate

    def look(self) -> None:
        """Show what is new, and what is quiet by now."""
        estates = tuple(site.estate for site in self.sites.values())
        changed = self._follow_plants(estates) if estates != self._estates else False
        for site in self.sites.values():
            quiet, since = site.quiet, site.quiet_since
            for name, part in site.systems().items():
                if self._shown.get(name) != (part, quiet):
                    self._shown[name] = part, quiet
                    try:
                        self._show(site, part, since if quiet else None)
                    except (
                        Exception
                    ):  # the boundary: what one site tells must not keep the others from being shown
                        log.exception(
                            "site %s: a fault in ridethrough, by what it told of %s", site.site, name
                        )
                    changed = True
            for name, bank in site.banks().items():
                if self.present.banks.get(name) is not bank.state:
                    self.present.banks[name] = bank.state
                    changed = True
        changed = self._show_alarms() or changed
        if changed:
            self.present.changed()

    def _follow_plants(self, estates: tuple[Estate | None, ...]) -> bool:
        before, self._estates = self.present, estates
        known = [estate for estate in estates if estate is not None]
        self.present = Present(joined(known), version=before.version + 1)
        self._shown.clear()
        self._alarms.clear()
        before.changed()  # whoever waits there for news is to look here from now on
        return True

    def _show(self, site: SiteSaid, part: SystemPart, since: datetime | None) -> None:
        """Show one system; of a quiet site, as what was so until `since`."""
        present, system = self.present, part.state.id
        state = part.state if since is None else unheard(part.state, _why(site), since)
        for unit in present.estate.units_of(system):
            present.readings.pop(unit.id, None)
            present.silences.pop(unit.id, None)
            present.faults.pop(unit.id, None)
            present.isolations.pop(unit.id, None)
        for reading in part.readings:
            present.keep(reading)
        present.faults |= {one.unit: one for one in part.faults}
        silences = part.silences if since is None else _silences(site, present.estate, system, since)
        present.silences |= {one.unit: one for one in silences}
        present.show_system(state)
        heard = part if since is None else SystemPart(state)  # what is only so while it is heard
        _set(present.hold_ups, system, heard.judged)
        _set(present.shutdowns, system, heard.shutdown)
        _set(present.sizes, system, heard.sizes)
        present.isolations |= {one.unit: one for one in heard.isolations}

    def _show_alarms(self) -> bool:
        now = {alarm.id: alarm for alarm in self._alarms_now()}
        self.told = {
            incident: told for site in self.sites.values() for incident, told in site.tellings().items()
        }
        if now == self._alarms:
            return False
        for name in self._alarms.keys() - now.keys():
            self.present.show_alarm(name, None)
        for name, alarm in now.items():
            if self._alarms.get(name) != alarm:
                self.present.show_alarm(name, alarm)
        self._alarms = now
        return True

    def _alarms_now(self) -> Iterator[Alarm]:
        listened_s = self._clock.monotonic_s() - self._began_s
        for site in self.sites.values():
            yield from site.alarms().alarms
            if site.quiet and listened_s > QUIET_AFTER_S:
                kind = CATALOGUE[SILENT]
                yield replace(
                    new_alarm(kind, site.site, "", 0.0),
                    state=State.ACTIVE_UNACKNOWLEDGED,
                    what=_why(site),
                    since=site.quiet_since,
                    condition=True,
                    known=True,
                    standing=True,
                )


def _set(things: dict[str, T], name: str, value: T | None) -> None:
    if value is None:
        things.pop(name, None)
    else:
        things[name] = value


def _why(site: SiteSaid) -> Reason:
    return reason(Code.COLLECTOR_SILENT, site.site)


def _silences(site: SiteSaid, estate: Estate, system: str, since: datetime) -> tuple[Silence, ...]:
    """Return the units of a quiet site as what they are from afar: not heard since then."""
    at = Stamp(since, 0.0, "as heard last")
    return tuple(Silence(unit.id, at, f"nothing is heard of {site.site}") for unit in estate.units_of(system))
