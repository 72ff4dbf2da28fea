"""A centre in the shape of a running service: what its sites say, shown by the same read model. It acts at its sites alone.

What people do is handed on to the site that it is done at. Whatever is judged or planned only where cards are read is
refused, and the refusal names the site's own address.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta
from secrets import token_bytes
from typing import Any, Final, NoReturn, cast

from collector.assessment.expected_courses import ExpectedDischarge
from collector.cards.corrections.learning import Learning
from collector.configuration import Configuration
from collector.configuration.centre.file import CentreFile
from collector.messaging.centre.acts import FAILED, ActStanding, HandedOn
from collector.messaging.centre.handing_on import ActsPlace, HandingOn
from collector.messaging.delivery.answer_links import AnswerLinks
from collector.messaging.delivery.letter import Telling
from collector.messaging.delivery.taking_on import TakingOn
from collector.planning.estate_ridethrough import EstateRides
from collector.planning.planner import Planner
from collector.planning.signed_shutdowns import SignedShutdowns
from collector.process.clock import Clock
from collector.read_model.alarm_quality import quality_between
from collector.read_model.centre.acting import ActsAtSites
from collector.read_model.centre.at_the_site import AtTheSiteError, Elsewhere, PlansElsewhere
from collector.read_model.centre.joined import JoinedPresent
from collector.read_model.centre.site_said import SiteSaid
from collector.read_model.history.queries import LookingBack
from collector.read_model.own_figures import HeardSite, OwnFigures, Readiness, ShownAct
from collector.recorder.current_state import Present
from collector.recorder.trackers.outages import OutageTracker
from collector.storage.history.store import Bucket
from collector.storage.ledger import Ledger
from collector.storage.ledger.access import AccessTables
from collector.storage.ledger.records import (
    IncidentLine,
    JournalLine,
    Outgoing,
    Page,
    Place,
    Placed,
    Sending,
    Snapshot,
)
from collector.storage.ledger.whence import ACT, ASKED
from rules.alarms.quality import Quality
from rules.battery.assessment.runtime_trend import BankRuntime
from rules.generator.outage_source import OutageSource
from rules.monitor.inputs import OperatorCommand
from rules.plant.estate import Estate
from rules.plant.reading import Reading
from rules.plant.unread import OldReading, Unread
from rules.values.serial import from_plain, to_plain

ACTS: Final = "centre acts"
ANY_CLOCK: Final = timedelta(days=2)
"""The journal of a site goes by the site's own clock."""


class CentreSource:
    """What is shown of all sites: `collector.read_model.running.RunningSource`, whoever hears the sites."""

    acts = False

    def __init__(self, file: CentreFile, clock: Clock, ledger: Ledger) -> None:
        self.file = file
        self.clock = clock
        self.ledger = ledger
        self.started_at = clock.now()
        self.readers = 0
        self.stopping = False
        self.sites = {one.id: SiteSaid(one.id, one.address, clock) for one in file.sites}
        self.joined = JoinedPresent(self.sites, clock)
        self.access = AccessTables(ledger)
        elsewhere = Elsewhere(self.addresses)
        self.planner = cast("Planner", elsewhere)
        self.estate_rides = cast("EstateRides", elsewhere)
        self.handing = HandingOn(self._places(), clock, self.keep_acts)
        waits_s = {one.id: float(one.acts_wait_s) for one in file.sites}
        self.at_sites = ActsAtSites(self.sites, self.handing, clock, waits_s)
        self.taking_on = cast("TakingOn", self.at_sites)
        self.looking_back = cast("LookingBack", elsewhere)
        self.answer_links = AnswerLinks(token_bytes(32), None)  # no link leads here: it reads none
        self._made: tuple[Estate, Configuration, OutageTracker, Learning, SignedShutdowns] | None = None

    @property
    def addresses(self) -> Mapping[str, str]:
        """Return where each site's own page is."""
        return {one.id: one.address for one in self.file.sites}

    @property
    def present(self) -> Present:
        """Return what is true now, as far as the sites say."""
        return self.joined.present

    @property
    def estate(self) -> Estate:
        """Return what is installed at all sites of which that is known."""
        return self.present.estate

    @property
    def told(self) -> Mapping[str, tuple[Telling, ...]]:
        """Return who was told of each incident, by its site."""
        return self.joined.told

    def _parts(self) -> tuple[Estate, Configuration, OutageTracker, Learning, SignedShutdowns]:
        """Return what goes with the estate as it is declared now."""
        if self._made is None or self._made[0] is not self.estate:
            estate = self.estate
            plans = PlansElsewhere(self.clock, self.present, self.addresses)
            configuration = self.file.configuration(estate)
            made = OutageTracker(estate), Learning(estate), cast("SignedShutdowns", plans)
            self._made = estate, configuration, *made
        return self._made

    @property
    def configuration(self) -> Configuration:
        """Return the centre's file, beside the estate that is joined."""
        return self._parts()[1]

    @property
    def outages(self) -> OutageTracker:
        """Return none: what came back after an outage is marked at the site."""
        return self._parts()[2]

    @property
    def learning(self) -> Learning:
        """Return none: cards are known where they are read."""
        return self._parts()[3]

    @property
    def signed_plans(self) -> SignedShutdowns:
        """Return none: they are signed and followed at the site."""
        return self._parts()[4]

    # --- how it keeps up -------------------------------------------------------------------------------------

    def readiness(self) -> Readiness:
        """Return whether at least one site is heard, and which are not."""
        quiet = tuple(name for name, site in self.sites.items() if site.quiet)
        return Readiness(len(quiet) < len(self.sites), len(self.sites), len(self.sites) - len(quiet), quiet)

    def own_figures(self) -> OwnFigures:
        """Return how it keeps up: it polls nothing, and judges nothing that could wait."""
        ages = [self.reading_age_s(reading) for reading in self.present.readings.values()]
        return OwnFigures(0, 0, 0, max(ages, default=None), 0.0, 0.0, 0, 0.0, 0, 0.0, 0.0)

    def heard(self) -> tuple[HeardSite, ...]:
        """Return the sites, and whether they are heard."""
        now, acts = self.clock.now(), self.handing.acts.values()
        return tuple(
            site.shown(
                tuple(_shown(act, now) for act in acts if act.site == name and act.shown(now)),
                takes_acts=name in self.handing.places,
            )
            for name, site in self.sites.items()
        )

    def not_read(self) -> dict[str, OldReading]:
        """Return none: what a site does not read it says itself, and a quiet site's units are shown as not heard."""
        return {}

    def unread(self, unit: str) -> Unread | None:  # noqa: ARG002 - of the protocol
        """Return None: nobody reads it here."""
        return None

    def reading_age_s(self, reading: Reading) -> float:
        """Return how old a reading is, in s, by the clocks of its site and of the centre."""
        return max((self.clock.now() - reading.at).total_seconds(), 0.0)

    def read_every_s(self, unit: str) -> float | None:  # noqa: ARG002 - of the protocol
        """Return None: nothing is read here."""
        return None

    def card_notes(self, card: str) -> tuple[str, ...]:  # noqa: ARG002 - of the protocol
        """Return none: what is noted of how a card is read stays at the site."""
        return ()

    # --- what the ledger holds -------------------------------------------------------------------------------

    async def incidents(self, *, after: Place | None = None, limit: int = 200) -> Placed[IncidentLine]:
        """Return the incidents of all sites, newest first."""
        return await self.ledger.incidents(after=after, limit=limit)

    async def events(
        self,
        *,
        kinds: tuple[str, ...] = (),
        about: str | None = None,
        start: datetime | None = None,
        end: datetime | None = None,
        before: int | None = None,
        limit: int = 200,
    ) -> Page[JournalLine]:
        """Return the journal of all sites, newest first."""
        return await self.ledger.events(
            kinds=kinds, about=about, start=start, end=end, before=before, limit=limit
        )

    async def messages(
        self,
        *,
        sending: Sending | None = None,
        incident: str | None = None,  # noqa: ARG002 - of the protocol
        before: int | None = None,  # noqa: ARG002 - of the protocol
        limit: int = 200,  # noqa: ARG002 - of the protocol
    ) -> Page[Outgoing]:
        """Return none that wait or were given up, since a centre sends none; all others are asked for at their site."""
        if sending is None:
            self._refuse()
        return Page((), None)

    async def alarm_quality(self, start: datetime, end: datetime) -> Quality:
        """Return the figures of the alarms of all sites over a period (EEMUA 191, ISA-18.2)."""
        return await quality_between(self.ledger, start, end)

    # --- what is asked and done at the site ------------------------------------------------------------------

    def _refuse(self) -> NoReturn:
        raise AtTheSiteError(self.addresses)

    async def _refused(self, *_given: object, **_named: object) -> Any:  # noqa: ANN401 - nothing is returned
        self._refuse()

    def site_token(self) -> None:
        """Return None: the site's own systems tell the site."""
        return

    def runtimes(self, system: str, start: datetime, end: datetime) -> tuple[BankRuntime, ...]:  # noqa: ARG002 - of the protocol
        """Refuse. Raises AtTheSiteError."""
        self._refuse()

    async def series(
        self,
        unit: str,  # noqa: ARG002 - of the protocol
        quantity: str,  # noqa: ARG002 - of the protocol
        line: int | None,  # noqa: ARG002 - of the protocol
        *,
        start: datetime,  # noqa: ARG002 - of the protocol
        end: datetime,  # noqa: ARG002 - of the protocol
        points: int,  # noqa: ARG002 - of the protocol
    ) -> tuple[Bucket, ...]:
        """Refuse. Raises AtTheSiteError."""
        self._refuse()

    async def expected_of(self, record: object) -> ExpectedDischarge | None:  # noqa: ARG002 - of the protocol
        """Refuse. Raises AtTheSiteError."""
        self._refuse()

    set_word = table_tried = bring_past_test = _refused

    # --- what is handed on to the site -----------------------------------------------------------------------

    def _places(self) -> dict[str, ActsPlace]:
        folder = self.file.path.parent
        places = {}
        for site in self.file.sites:
            token, trusted = self.file.token(site), site.authority_file
            if token is not None:
                places[site.id] = ActsPlace(
                    site.address, token, None if trusted is None else str(folder / trusted)
                )
        return places

    async def keep_acts(self, acts: tuple[HandedOn, ...], changed: HandedOn) -> None:
        """Keep the acts that were handed on, with a line in the centre's own journal of one that came to nothing."""
        now = self.clock.now()
        try:
            async with self.ledger.transaction(at_once=True) as tx:
                tx.save_snapshot(Snapshot(ACTS, now, "centre-acts/1", {"acts": to_plain(acts)}))
                if changed.standing in FAILED:  # what is done stands in the journal of its site
                    tx.add_event(
                        JournalLine(now, "act_failed", None, f"{changed.about}: {changed.words(now)}")
                    )
        finally:
            self.present.changed()

    async def restore_acts(self) -> None:
        """Go on with what was handed on; of what is open the journal may have been heard before it was noted. Raises StoreError."""
        kept = await self.ledger.snapshot(ACTS)
        if kept is None:
            return
        acts = from_plain(tuple[HandedOn, ...], kept.body["acts"])
        self.handing.restore(acts)
        for act in acts:
            if act.standing is not ActStanding.DONE and await self.ledger.act_done(
                act.id, act.made - ANY_CLOCK
            ):
                await self.handing.heard(act.site, act.id)

    async def hear_acts(self, site: str, lines: Iterable[JournalLine]) -> None:
        """Note which acts lines of a site's journal say were done."""
        for line in lines:
            asked = line.body.get(ASKED)
            if isinstance(asked, Mapping) and isinstance(name := asked.get(ACT), str):
                await self.handing.heard(site, name)

    async def act(
        self, deed: OperatorCommand, alarm: str, *, who: str, why: str = "", until: datetime | None = None
    ) -> str | None:
        """Do something with an alarm at its site. Raises HandedOnError, AtTheSiteError."""
        return await self.at_sites.act(deed, alarm, who=who, why=why, until=until)

    async def mark_outage(
        self, incident: str, *, by: str, source: OutageSource, lost_at: datetime | None = None
    ) -> int:
        """Mark an outage at its site. Raises HandedOnError, AtTheSiteError."""
        return await self.at_sites.mark_outage(incident, by=by, source=source, lost_at=lost_at)

    async def work_begins(self, unit: str, *, by: str, until: datetime, note: str = "") -> str | None:
        """Begin work on a unit at its site. Raises HandedOnError, AtTheSiteError."""
        return await self.at_sites.work_begins(unit, by=by, until=until, note=note)

    async def work_closes(self, unit: str, *, by: str, note: str = "") -> str | None:
        """Close work on a unit at its site. Raises HandedOnError, AtTheSiteError."""
        return await self.at_sites.work_closes(unit, by=by, note=note)


def _shown(act: HandedOn, now: datetime) -> ShownAct:
    return ShownAct(
        act.id,
        act.about,
        act.deed,
        act.by,
        act.made,
        act.until,
        act.standing.value,
        act.since,
        act.words(now),
    )
