"""What a stopped service would say: everything judged again from a data folder, as of its newest reading.

For printed reports and whoever wants an answer while no service runs. The judgements are made here, one after
the other, by the same parts on the same evidence as in a running service; none of it is kept.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from datetime import datetime
from typing import TypeVar

from collector.cards.corrections.learning import Learning
from collector.configuration import Configuration
from collector.messaging.delivery.letter import Telling
from collector.messaging.delivery.office import told
from collector.planning.isolation_answers import TakingOut
from collector.planning.planner import Planner
from collector.planning.shed_advice import ShedAdviser
from collector.planning.shutdown_answers import SwitchingOff
from collector.planning.signed_book import SignedBook, restored
from collector.planning.size_answers import SizesAhead
from collector.process.background_budget import Budget
from collector.process.clock import TurnedClock
from collector.read_model.own_figures import HeardSite
from collector.read_model.stored import NothingStoredError, StoredEstate
from collector.recorder.current_state import Present
from collector.recorder.trackers.outages import OutageTracker
from collector.storage.ledger.records import IncidentLine, JournalLine, Outgoing, Page, Place, Placed, Sending
from rules.alarms.lifecycle.states import State
from rules.battery.model.health import BankBelief
from rules.plant.estate import Estate
from rules.plant.reading import Reading
from rules.plant.unread import OldReading, Unread
from rules.system.assessment import task_of
from rules.system.hold_up.judgement import hold_ups
from rules.system.hold_up.sampling import SEED
from rules.system.observation import SystemObservation, SystemView

T = TypeVar("T")


class InPlace:
    """A judging process that is none: it answers here and now."""

    async def ask(
        self,
        key: str,  # noqa: ARG002
        function: Callable[..., T],
        *arguments: object,
        about: str | None = None,  # noqa: ARG002
    ) -> T:
        """Return what the function gives."""
        return function(*arguments)


class StoredSource:
    """The present as it was at the newest reading, and who answers questions about plans on it.

    It has the shape of a running service (`collector.read_model.source.SheetSource`). Make it with `judged_again`.
    """

    acts = False

    def __init__(
        self,
        kept: StoredEstate,
        planner: Planner,
        plans: SignedBook,
        tellings: Mapping[str, tuple[Telling, ...]],
    ) -> None:
        self.configuration: Configuration = kept.configuration
        self.estate: Estate = kept.estate
        self.clock: TurnedClock = kept.clock
        self.present: Present = kept.present
        self.outages: OutageTracker = kept.trackers.outages
        self.learning: Learning = kept.learning
        self.planner = planner
        self.signed_plans = plans
        self.told = tellings
        self._kept = kept

    async def answer(self, systems: Iterable[str]) -> None:
        """Have the answers ready that a running service keeps ready: work on units, the mains switched off."""
        budget = Budget(self.clock)
        around = (self.estate, self.planner, self.clock, self.present)
        taking_out = TakingOut(*around, budget=budget)
        switching_off = SwitchingOff(*around, self.signed_plans, budget=budget)
        for system in systems:
            for unit in self.estate.units_of(system):
                await taking_out.once(unit)
            await switching_off.once(system)

    def own_figures(self) -> None:
        """Return None: no service runs that could be late."""
        return

    def heard(self) -> tuple[HeardSite, ...]:
        """Return none: nobody is heard."""
        return ()

    def not_read(self) -> dict[str, OldReading]:
        """Return none: nothing is read here."""
        return {}

    def unread(self, unit: str) -> Unread | None:  # noqa: ARG002 - of the protocol
        """Return None: nobody reads it here."""
        return None

    def reading_age_s(self, reading: Reading) -> float:
        """Return how much older a reading is than the newest of all, in s."""
        return max((self.clock.now() - reading.at).total_seconds(), 0.0)

    def read_every_s(self, unit: str) -> float | None:  # noqa: ARG002 - of the protocol
        """Return None: nothing is read here."""
        return None

    def card_notes(self, card: str) -> tuple[str, ...]:  # noqa: ARG002 - of the protocol
        """Return none: what is noted of how a card is read is a running service's."""
        return ()

    async def incidents(self, *, after: Place | None = None, limit: int = 200) -> Placed[IncidentLine]:
        """Return incidents, newest first."""
        return await self._kept.ledger.incidents(after=after, limit=limit)

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
        """Return the journal, newest first."""
        return await self._kept.ledger.events(
            kinds=kinds, about=about, start=start, end=end, before=before, limit=limit
        )

    async def messages(
        self,
        *,
        sending: Sending | None = None,
        incident: str | None = None,
        before: int | None = None,
        limit: int = 200,
    ) -> Page[Outgoing]:
        """Return what was sent or waits to be sent, newest first."""
        return await self._kept.ledger.messages(
            sending=sending, incident=incident, before=before, limit=limit
        )


async def judged_again(
    kept: StoredEstate, progress: Callable[[str], None] = lambda _text: None
) -> StoredSource:
    """Return everything judged again from what is stored. Raises NothingStoredError where nothing was ever read."""
    estate, present, clock = kept.estate, kept.present, kept.clock
    if not present.readings:
        raise NothingStoredError(f"{kept.folder}: no reading is stored here")
    seen: dict[str, tuple[SystemView, SystemObservation]] = {}
    beliefs: dict[str, BankBelief] = {}
    for system in estate.systems:
        if kept.read_at(system) is None:
            continue
        progress(f"judging {system}")
        found = await kept.beliefs(system)
        beliefs |= found
        view, glanced = kept.show(system)
        judged = hold_ups(task_of(view, glanced), found, SEED)
        present.hold_ups[system] = judged
        kept.trackers.countdowns.take(judged)
        seen[system] = kept.show(system)
    for bank in estate.banks.values():  # again, now that it is known what is asked of each
        judgement = await kept.judged(bank, clock.now())
        if judgement is not None:
            present.banks[bank.id] = judgement.state
    outages, record = kept.trackers.outages, kept.trackers.loads.of
    planner = Planner(
        estate,
        InPlace(),
        clock,
        present,
        seen=seen.get,
        record=record,
        beliefs=lambda banks: {bank: beliefs[bank] for bank in banks if bank in beliefs},
        ledger=kept.ledger,
        set_tested=lambda name: outages.set_test(name, clock.now()).last,
    )
    adviser = ShedAdviser(estate, planner, clock, present)
    for state in [one for one in present.systems.values() if one.on_battery is not None]:
        await adviser.once(state)
    for system in seen:  # again, now that the others are known, and what to shed
        seen[system] = kept.show(system)
    sizes = SizesAhead(estate, planner, clock, present, record, budget=Budget(clock))
    for system in seen:
        await sizes.once(system)
    return StoredSource(kept, planner, await _plans(kept), await _told(kept))


async def _plans(kept: StoredEstate) -> SignedBook:
    """Return the shutdowns that were signed; one that is damaged on the disk is left out."""
    found = {}
    for line, course in await kept.ledger.signed():
        if line.system in kept.estate.systems:
            with suppress(TypeError, ValueError, KeyError):
                found[line.id] = restored(line, course)
    return SignedBook(kept.clock, kept.present, found)


async def _told(kept: StoredEstate) -> dict[str, tuple[Telling, ...]]:
    """Return who was told of the incidents of alarms that are not over."""
    alarms = kept.present.alarms.values()
    incidents = {a.incident for a in alarms if a.incident is not None and a.state is not State.NORMAL}
    return {incident: await told(kept.ledger, incident) for incident in sorted(incidents)}
