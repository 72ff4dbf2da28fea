"""What a sheet shows: one frozen value, built from a live or a stored source (`snapshot`), read by the pages.

Rendering is a pure function of it. What is None or empty is left out or said to be unknown, never made up.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from functools import cached_property
from typing import Any

from collector.messaging.delivery.letter import Telling
from collector.read_model.beginning.steps import FirstDays
from collector.read_model.own_figures import HeardSite, OwnFigures
from collector.read_model.telling import ShownOnCall, Undelivered
from rules.battery.state import BankState, ExpectedCapacity
from rules.planning.ridethrough.shutdown import Shutdown
from rules.planning.ridethrough.signed_course import Compared, PlanCourse
from rules.planning.ridethrough.signed_plan import SignedPlan
from rules.planning.sizing.replacement import Sizes
from rules.plant.estate import Estate, Site
from rules.plant.reading import Reading
from rules.plant.unread import OldReading, Unread
from rules.system.hold_up.judgement import BankEnds
from rules.system.state import HoldUp, SystemState


@dataclass(frozen=True, slots=True)
class ShownAcknowledgement:
    """Who took an alarm on, when, and what they wrote."""

    by: str
    at: datetime
    note: str | None = None


@dataclass(frozen=True, slots=True)
class ShownAlarm:
    """An alarm as people read it (ALARM of the HTTP interface).

    `about` is the id of a system, unit, bank, card or "ridethrough"; `severity` and `state` are the words of
    the interface. `by_when_text` says in words what the date alone does not ("while someone is there").
    `because` says what suppresses or explains it. `call` names whom to call, with their numbers. `since` None:
    it never stood, and is only held back. `counted` are card alarms and lesser alarms that the incident holds
    under this sentence. `by_when_for`: what of the plant sets `by_when` (`shed`, `start_set`, `set_out`, `banks_end`). `do_first`: of `do`
    the first clause, without a stop, for where no more has room.
    """

    id: str
    about: str
    what: str
    do: str
    severity: str
    state: str
    since: datetime | None
    by_when: datetime | date | None = None
    incident: str | None = None
    acknowledged: ShownAcknowledgement | None = None
    shelved_until: datetime | None = None
    told: tuple[Telling, ...] = ()
    by_when_text: str | None = None
    until: datetime | None = None
    counted: int = 0
    shelved_by: str | None = None
    out_of_service_by: str | None = None
    because: tuple[str, ...] = ()
    system: str | None = None
    call: tuple[str, ...] = ()
    by_when_for: str | None = None
    do_first: str = ""


@dataclass(frozen=True, slots=True)
class CardHealth:
    """How a card keeps up; counts run since the start. `notes`: weak ciphers, an engine that changed."""

    id: str
    answering: bool | None = None
    reads: int | None = None
    unanswered: int | None = None
    answer_s: float | None = None
    poll_s: float | None = None
    restarts: int | None = None
    note: str | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class LearntCorrection:
    """What is done with every value of one object of a card: value * factor + offset where `ruling` is linear.

    `evidence` is how many samples spoke for it, `declared` whether a person stated it in the estate file.
    """

    object: str
    kind: str
    reason: str
    ruling: str
    factor: float
    offset: float
    evidence: int
    declared: bool


@dataclass(frozen=True, slots=True)
class AbsentLine:
    """A line that the card lists and the unit does not have."""

    group: str
    line: int


@dataclass(frozen=True, slots=True)
class ShownStarts:
    """What was learnt about a card. `stale` says why nothing live of it counts just now, though it answers."""

    id: str
    objects: tuple[LearntCorrection, ...] = ()
    absent_lines: tuple[AbsentLine, ...] = ()
    stale: str | None = None


@dataclass(frozen=True, slots=True)
class ShownCard:
    """One request to a card: when, how long the answer took (None: none came), and what went wrong."""

    at: datetime
    took_s: float | None
    objects: int | None = None
    why: str | None = None


@dataclass(frozen=True, slots=True)
class ShownUnit:
    """A unit's last reading and its age at the sheet's moment, and how its card keeps up.

    `reading` is the last one that came, however old. `silent_since` is set while the card does not answer,
    `unread` says why there is no newer one, should it be too old; `fault` is set while ridethrough itself cannot judge the unit. `reads` run from old to new.
    `read_every_s` is how often it is read now, `not_read` set while its last reading is older than three times that.
    """

    id: str
    reading: Reading | None = None
    age_s: float | None = None
    silent_since: datetime | None = None
    why_silent: str | None = None
    unread: Unread | None = None
    fault: str | None = None
    card: CardHealth | None = None
    reads: tuple[ShownCard, ...] = ()
    learnt: ShownStarts | None = None
    read_every_s: float | None = None
    not_read: OldReading | None = None


@dataclass(frozen=True, slots=True)
class StartAttempt:
    """One attempt to start the generator; `worked` None while it runs or when nobody can tell."""

    at: datetime
    until: datetime | None
    worked: bool | None
    by_hand: bool = False


@dataclass(frozen=True, slots=True)
class Shedding:
    """What shedding would do now, in a sentence; and where something is to go, how much, and the earliest end then."""

    what: str
    power_w: float = 0.0
    ends_earliest: datetime | None = None


@dataclass(frozen=True, slots=True)
class ShownOutage:
    """What is known of the outage a system is in, beside its `on_battery`.

    `trace` is (moment, share of what all banks gave when it began that is still left, 0 to 1), as judged from
    readings, old to new. `left_now` is its last value carried to the sheet's moment. `starts` are attempts
    seen or reckoned from the generator's declared times; `starts_seen` says which. `call`: people and their numbers.
    """

    trace: tuple[tuple[datetime, float], ...] = ()
    left_now: float | None = None
    starts: tuple[StartAttempt, ...] = ()
    starts_seen: bool = False
    readings: int | None = None
    one_unit_lost_from_now: HoldUp | None = None
    shedding: Shedding | None = None
    call: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Fed:
    """What fed a unit from a moment on: "mains", "generator", "banks", "bypass", "none" or "unknown"."""

    unit: str
    at: datetime
    source: str


@dataclass(frozen=True, slots=True)
class EventLine:
    """One line of an event's story."""

    at: datetime
    text: str


@dataclass(frozen=True, slots=True)
class Foretold:
    """One thing foretold before an event and what happened; `inside` None where it was not put to the test."""

    what: str
    predicted: str
    happened: str
    inside: bool | None
    remark: str = ""


@dataclass(frozen=True, slots=True)
class ShownEvent:
    """A power event in the journal: an outage, a test, a visit. `until` None while it goes on.

    `allowed_s` is the need that stood against it; `took_s` what the banks carried.
    """

    id: str
    at: datetime
    kind: str
    text: str
    system: str | None = None
    until: datetime | None = None
    took_s: float | None = None
    allowed_s: float | None = None
    carried: bool | None = None
    fed: tuple[Fed, ...] = ()
    starts: tuple[StartAttempt, ...] = ()
    lines: tuple[EventLine, ...] = ()
    foretold: tuple[Foretold, ...] = ()
    notices: int | None = None
    messages: int | None = None
    incident: str | None = None
    opened: datetime | None = None


@dataclass(frozen=True, slots=True)
class SupplyReturn:
    """A supply that came back: `because` says on what, or that nobody knows. `name`: what people call it."""

    supply: str
    name: str
    incident: str
    lost_at: datetime
    because: str
    known: bool


@dataclass(frozen=True, slots=True)
class ScoredOutage:
    """A hold-up foretold at a failure and what the simulated plant truly had, in seconds. None: not foretold."""

    at: datetime
    system: str
    low_s: float
    median_s: float | None
    high_s: float | None
    truth_s: float


@dataclass(frozen=True, slots=True)
class ShownScore:
    """How well hold-ups were foretold in the demonstration, misses included."""

    outages: tuple[ScoredOutage, ...]


@dataclass(frozen=True, slots=True)
class ShownIsolation:
    """Whether a unit may be taken out: `overall` is met, not_met or cannot_tell; rows are sentences. `why`: the first not met, in a few words."""

    unit: str
    overall: str
    answer: str
    met: tuple[str, ...] = ()
    not_met: tuple[str, ...] = ()
    cannot_be_seen: tuple[str, ...] = ()
    person: tuple[str, ...] = ()
    why: str = ""


@dataclass(frozen=True, slots=True)
class PlanView:
    """A signed shutdown as it stands: what was signed, how far it has come, what is to be said of it now.

    `breaches` are the abort criteria met now, `against` what speaks against beginning it (None: not looked at
    since the start), `compared` what was foretold beside what happened.
    """

    id: str
    plan: SignedPlan
    course: PlanCourse
    breaches: tuple[str, ...] = ()
    against: tuple[str, ...] | None = None
    compared: tuple[Compared, ...] = ()


@dataclass(frozen=True, slots=True)
class Plans:
    """The signed shutdowns of a system that the page shows: those to come, and the last that is over."""

    open: tuple[PlanView, ...] = ()
    last: PlanView | None = None


@dataclass(frozen=True)
class Sheet:
    """Everything a page shows at one moment, UTC; mappings are by system, `forecasts` by bank.

    `fans`: the banks that end before their system does. `acts`: whether what people do here is carried out. `tells`:
    whether anybody is named to be told. `begun`: the first steps. `heard`: of a centre its sites. `title`: the owner's name for the estate.
    """

    now: datetime
    title: str
    estate: Estate
    systems: tuple[SystemState, ...] = ()
    banks: tuple[BankState, ...] = ()
    units: tuple[ShownUnit, ...] = ()
    alarms: tuple[ShownAlarm, ...] = ()
    events: tuple[ShownEvent, ...] = ()
    fans: Mapping[str, tuple[BankEnds, ...]] = field(default_factory=dict)
    outages: Mapping[str, ShownOutage] = field(default_factory=dict)
    forecasts: Mapping[str, tuple[ExpectedCapacity, ...]] = field(default_factory=dict)
    isolations: tuple[ShownIsolation, ...] = ()
    returns: tuple[SupplyReturn, ...] = ()
    sizes: Mapping[str, Sizes] = field(default_factory=dict)
    shutdowns: Mapping[str, Shutdown] = field(default_factory=dict)
    plans: Mapping[str, Plans] = field(default_factory=dict)
    score: ShownScore | None = None
    estate_file: str = ""
    estate_version: str = ""
    demonstration: bool = False
    acts: bool = False
    poll_s: float = 10.0
    tells: bool = True
    undelivered: tuple[Undelivered, ...] = ()
    on_call: tuple[ShownOnCall, ...] = ()
    own: OwnFigures | None = None
    heard: tuple[HeardSite, ...] = ()
    begun: FirstDays | None = None

    @property
    def stale_after_s(self) -> float:
        """Return after how many seconds without news the sheet says so: 30 in an outage, else 90."""
        return 30.0 if any(state.on_battery for state in self.systems) else 90.0

    @cached_property
    def drawn(self) -> dict[str, Any]:
        """Return what was drawn of this sheet already: readers of one page share the work."""
        return {}

    @cached_property
    def _units(self) -> Mapping[str, ShownUnit]:
        return {view.id: view for view in self.units}

    @cached_property
    def _systems(self) -> Mapping[str, SystemState]:
        return {state.id: state for state in self.systems}

    @cached_property
    def _banks(self) -> Mapping[str, BankState]:
        return {state.id: state for state in self.banks}

    def unit(self, unit: str) -> ShownUnit | None:
        """Return what is known of a unit, or None."""
        return self._units.get(unit)

    def system(self, system: str) -> SystemState | None:
        """Return the state of a system, or None."""
        return self._systems.get(system)

    def bank(self, bank: str) -> BankState | None:
        """Return the state of a bank, or None."""
        return self._banks.get(bank)

    def site(self, system: str) -> Site:
        """Return the site of a system, for its clock."""
        return self.estate.site_of(system)

    def alarms_of(self, system: str) -> tuple[ShownAlarm, ...]:
        """Return the alarms about a system, its units, banks and cards, in the order given."""
        estate = self.estate
        members = {system} | {unit.id for unit in estate.units_of(system)}
        members |= {bank.id for bank in estate.banks_of_system(system)}
        members |= {card.id for unit in estate.units_of(system) if (card := estate.card_of(unit.id))}
        return tuple(a for a in self.alarms if a.about in members or a.system == system)
