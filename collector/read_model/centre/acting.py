"""What people do at a centre, as requests of the interface of the site that it is done at; whose act it is, goes with it.

Which thing is whose is known here, and by which path a site takes what: nothing of what becomes of it. A site of which the
centre has no token is named, with the way to its own page.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import datetime, timedelta
from secrets import token_hex
from typing import Any, Final, NoReturn
from urllib.parse import quote

from collector.messaging.centre.acts import HandedOn
from collector.messaging.centre.handing_on import HandingOn
from collector.messaging.centre.parts import ALARMS, AlarmsPart
from collector.messaging.delivery.taking_on import TakenOn
from collector.process.clock import Clock
from collector.read_model.centre.at_the_site import AtTheSiteError
from collector.read_model.centre.naming import SEPARATOR
from collector.read_model.centre.site_said import SiteSaid
from collector.storage.ledger.records import IncidentLine
from collector.storage.ledger.whence import asking
from rules.generator.outage_source import OutageSource
from rules.monitor.inputs import OperatorCommand

OWN_WORD: Final = "the centre says it itself of a site that it does not hear; it ends once the site is heard"
_PATHS: Final[Mapping[OperatorCommand, str]] = {OperatorCommand.TAKE_OUT_OF_SERVICE: "out-of-service"}
"""What a site's path calls a deed, where that is not its word."""


class HandedOnError(Exception):
    """An act was handed on to its site: how it stands."""

    def __init__(self, act: HandedOn, words: str) -> None:
        super().__init__(words)
        self.act = act


class ActsAtSites:
    """Makes a site's request of what somebody does. Every method raises HandedOnError, AtTheSiteError or StoreError."""

    def __init__(
        self, sites: Mapping[str, SiteSaid], handing: HandingOn, clock: Clock, waits_s: Mapping[str, float]
    ) -> None:
        self._sites = sites
        self._handing = handing
        self._clock = clock
        self._waits_s = waits_s

    async def act(
        self, deed: OperatorCommand, alarm: str, *, who: str, why: str = "", until: datetime | None = None
    ) -> str | None:
        """Do something with an alarm; return why it is refused here."""
        found = self._alarm(alarm)
        if found is not None:
            site, bare = found
            path = f"/v1/alarms/{_quoted(bare)}/{_PATHS.get(deed, deed.value.replace('_', '-'))}"
            body = {"note": why} | ({} if until is None else {"until": until.isoformat()})
            await self._on(site, alarm, deed.value, path=path, by=who, body=body)
        return OWN_WORD

    async def mark_outage(
        self, incident: str, *, by: str, source: OutageSource, lost_at: datetime | None = None
    ) -> int:
        """Mark an outage."""
        site, bare = self._parted(incident)
        body = {"source": source.value} | ({} if lost_at is None else {"lost_at": lost_at.isoformat()})
        await self._on(
            site,
            incident,
            f"marked as {source.value}",
            path=f"/v1/incidents/{_quoted(bare)}/mark",
            by=by,
            body=body,
        )

    async def work_begins(self, unit: str, *, by: str, until: datetime, note: str = "") -> str | None:
        """Begin work on a unit."""
        site, bare, system = self._unit(unit)
        body = {"unit": bare, "until": until.isoformat(), "note": note}
        await self._on(
            site, unit, "work begins", path=f"/v1/systems/{_quoted(system)}/work", by=by, body=body
        )

    async def work_closes(self, unit: str, *, by: str, note: str = "") -> str | None:
        """Close work on a unit."""
        site, bare, system = self._unit(unit)
        path = f"/v1/systems/{_quoted(system)}/work/{_quoted(bare)}/close"
        await self._on(site, unit, "work closes", path=path, by=by, body={"note": note})

    async def take_on(self, incident: str, *, by: str, note: str = "") -> TakenOn:
        """Take an incident on."""
        site, bare = self._parted(incident)
        await self._on(
            site,
            incident,
            "has it",
            path=f"/v1/incidents/{_quoted(bare)}/take-on",
            by=by,
            body={"note": note},
        )

    def incident(self, name: str) -> IncidentLine | None:
        """Return an incident that is open at a site."""
        return self._open().get(name)

    def open_incidents(self) -> list[str]:
        """Return the ids of the incidents that are open."""
        return list(self._open())

    # --- whose it is -----------------------------------------------------------------------------------------

    def _open(self) -> dict[str, IncidentLine]:
        return {one.id: one for site in self._sites.values() for one in site.alarms().incidents}

    def _alarm(self, alarm: str) -> tuple[str, str] | None:
        """Return the site of an alarm, and its id there; None of one that the centre raised."""
        for site in self._sites.values():
            told = site.told.get(ALARMS)
            part = None if told is None else told.part
            if isinstance(part, AlarmsPart):
                named = zip(part.alarms, site.alarms().alarms, strict=False)
                for there, here in named:
                    if here.id == alarm:
                        return site.site, there.id
        return None

    def _parted(self, name: str) -> tuple[str, str]:
        site, _, bare = name.partition(SEPARATOR)
        if site not in self._sites or not bare:
            raise AtTheSiteError({one.site: one.address for one in self._sites.values()})
        return site, bare

    def _unit(self, unit: str) -> tuple[str, str, str]:
        site, bare = self._parted(unit)
        estate = self._sites[site].estate
        if estate is None or unit not in estate.units:
            raise AtTheSiteError({site: self._sites[site].address})
        return site, bare, self._parted(estate.units[unit].system)[1]

    async def _on(
        self, site: str, about: str, deed: str, *, path: str, by: str, body: Mapping[str, Any]
    ) -> NoReturn:
        if site not in self._handing.places:
            raise AtTheSiteError({site: self._sites[site].address})
        whence, now = asking.get(), self._clock.now()
        act = HandedOn(
            id=token_hex(16),
            site=site,
            about=about,
            deed=deed.replace("_", " "),
            path=path,
            body=json.dumps({key: value for key, value in body.items() if value != ""}),
            by=by,
            known=whence is not None and whence.who is not None,
            means="not known" if whence is None else whence.means,
            address="" if whence is None else whence.address,
            made=now,
            until=now + timedelta(seconds=self._waits_s[site]),
            since=now,
        )
        stands = await self._handing.hand_on(act)
        raise HandedOnError(stands, stands.words(self._clock.now()))


def _quoted(name: str) -> str:
    return quote(name, safe="")
