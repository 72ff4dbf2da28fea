"""What the rules say, as values that the page and the HTTP interface show as they are.

Field names and meanings are those of the HTTP interface. Seconds, watts, volt-amperes; None is "not known". Every verdict says why (`because`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from enum import StrEnum

from rules.battery.state import WouldTell
from rules.generator.outage_source import SetSays
from rules.plant.estate import Purpose
from rules.system.outage.line_over import LineOver
from rules.system.work import UnitWork
from rules.values.reason import Reason
from rules.values.verdict import Basis, EndedBy, EndKnown, Verdict


class Standing(StrEnum):
    """What a unit is doing for its system at this moment.

    Idle: on inverter by its card's word, but not seen carrying while its peers carry.
    """

    CARRYING = "carrying"
    ON_BATTERY = "on_battery"
    RESTING = "resting"
    IDLE = "idle"
    BYPASS = "bypass"
    OFF = "off"
    ISOLATED = "isolated"
    SILENT = "silent"
    UNKNOWN = "unknown"


class Against(StrEnum):
    """Which hold-up a requirement is held against."""

    NOW = "now"
    ONE_UNIT_LOST = "one_unit_lost"


class LoadBasis(StrEnum):
    """Which load a redundancy verdict was reckoned at."""

    NOW = "now"
    PEAK_30D = "peak_30d"
    P95_30D = "p95_30d"


@dataclass(frozen=True, slots=True)
class HoldUp:
    """How long a system holds: 5th, 50th and 95th percentile. None where it cannot be told."""

    low_s: float | None
    median_s: float | None
    high_s: float | None
    ended_by: EndedBy | None
    basis: Basis


UNKNOWN_HOLD_UP = HoldUp(low_s=None, median_s=None, high_s=None, ended_by=None, basis=Basis.NONE)


@dataclass(frozen=True, slots=True)
class UnitLost:
    """The hold-up with one named unit gone."""

    unit: str
    hold_up: HoldUp


@dataclass(frozen=True, slots=True)
class EndOfLife:
    """The hold-up with every bank at the end of its life, in the coldest room."""

    all: HoldUp
    one_unit_lost: HoldUp


@dataclass(frozen=True, slots=True)
class HoldUps:
    """Hold-up now, with the worst single unit lost, with each, and at the end of life.

    `recharged` is set while a bank is not full again after a discharge: then `now` is what a second outage would get, and
    `recharged` what full banks give. `because`: what limits or hides a figure. `unproven`: the banks that nothing was seen
    of; `would_tell`: what would tell, in the order of effort. A low end that is only the tail of an assumption is None.
    """

    now: HoldUp
    one_unit_lost: HoldUp
    each_unit_lost: tuple[UnitLost, ...]
    at_end_of_life: EndOfLife
    recharged: HoldUp | None = None
    because: tuple[Reason, ...] = ()
    unproven: tuple[str, ...] = ()
    would_tell: tuple[WouldTell, ...] = ()


@dataclass(frozen=True, slots=True)
class LineLoad:
    """The load of one board line.

    `doubt_w`, `doubt_va`: how far off it may be, either way, where part of it was reckoned from the units beside it.
    """

    line: int
    power_w: float | None
    apparent_va: float | None
    doubt_w: float = 0.0
    doubt_va: float = 0.0


@dataclass(frozen=True, slots=True)
class Load:
    """The load of a system, and by board line."""

    power_w: float | None
    apparent_va: float | None
    lines: tuple[LineLoad, ...]


@dataclass(frozen=True, slots=True)
class UnitStanding:
    """One unit in its system; `share_fraction` of the system's power, 0 to 1."""

    id: str
    standing: Standing
    share_fraction: float | None
    read_at: datetime | None


@dataclass(frozen=True, slots=True)
class LineRedundancy:
    """One board line against what the units left over can carry."""

    line: int
    now_w: float | None
    now_va: float | None
    peak_w: float | None
    peak_va: float | None
    limit_w: float | None
    limit_va: float | None


@dataclass(frozen=True, slots=True)
class RedundancyAt:
    """The tightest margin reckoned at one load: now, at the 30-day peak, at its 95th percentile."""

    basis: LoadBasis
    verdict: Verdict
    margin_w: float
    margin_fraction: float
    tightest_line: int
    tightest_limit: str


@dataclass(frozen=True, slots=True)
class Redundancy:
    """Whether the spare units are spare, on every line, in watts and in volt-amperes.

    Electrical alone. `gone`: the units taken away on the tightest line. `unproven_banks`: banks not shown to
    carry their part; they stand beside the verdict and change nothing in it.
    """

    verdict: Verdict
    because: tuple[Reason, ...]
    as_of: datetime | None
    margin_w: float | None
    margin_fraction: float | None
    tightest_line: int | None
    tightest_limit: str | None
    basis: LoadBasis
    lines: tuple[LineRedundancy, ...]
    at: tuple[RedundancyAt, ...] = ()
    unproven_banks: tuple[str, ...] = ()
    gone: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class PartnerVerdict:
    """Whether a system could take its partner's load too, on every line, in watts and in volt-amperes.

    `at`: the margin now and at the peaks of both together, where they are known.
    """

    partner: str
    verdict: Verdict
    because: tuple[Reason, ...]
    as_of: datetime | None
    margin_w: float | None
    margin_fraction: float | None
    tightest_line: int | None
    tightest_limit: str | None
    basis: LoadBasis
    at: tuple[RedundancyAt, ...] = ()


@dataclass(frozen=True, slots=True)
class BridgeStep:
    """One step of the bridge to the generator: what is allowed for it, and what was last seen."""

    step: str
    allowed_s: float
    seen_s: float | None = None


@dataclass(frozen=True, slots=True)
class RequirementVerdict:
    """Whether a required hold-up is met.

    `would_tell`: what would tell where that cannot be told. `basis`: what the hold-up it is held against rests on.
    """

    id: str
    purpose: Purpose = field(metadata={"json": "for"})
    required_s: float | None
    against: Against
    verdict: Verdict
    because: tuple[Reason, ...]
    as_of: datetime | None
    margin_s: float | None
    steps: tuple[BridgeStep, ...] = ()
    would_tell: tuple[WouldTell, ...] = ()
    basis: Basis = Basis.NONE


@dataclass(frozen=True, slots=True)
class ShedStep:
    """One load group to drop, what it takes, and who drops it where that is declared."""

    group: str
    power_w: float
    by: str | None = None


@dataclass(frozen=True, slots=True)
class ShedFirst:
    """What to shed first of a system on its banks, as reckoned at `as_of`.

    `wanted_s`: how long it should hold from then, to `until`, for `wanted_for`; `of_s`: all of that time, a part of it over.
    `ends_earliest`: its end with all steps shed at once. `reached`: whether it then holds for so long; None: cannot tell. No
    steps and True: nothing need go. `shed_by`: the latest moment for that. `all_shed`: the last step leaves nothing: a shutdown
    in order. `without_ends`: its end without shedding, as this was reckoned. `order`: every group as they go. `not_since`: why
    it cannot be reckoned anew, so that it stays as of `as_of`.
    """

    as_of: datetime
    wanted_s: float
    wanted_for: Reason
    steps: tuple[ShedStep, ...] = ()
    ends_earliest: datetime | None = None
    reached: bool | None = None
    shed_by: datetime | None = None
    all_shed: bool = False
    without_ends: datetime | None = None
    order: tuple[ShedStep, ...] = ()
    not_since: Reason | None = None
    of_s: float | None = None

    @property
    def until(self) -> datetime:
        """Return until when it should hold."""
        return self.as_of + timedelta(seconds=self.wanted_s)

    @property
    def power_w(self) -> float:
        """Return what all steps take."""
        return sum(step.power_w for step in self.steps)


@dataclass(frozen=True, slots=True)
class Relief:
    """What the fed units of a system cannot carry without those on their banks, and which load groups would relieve them.

    `enough`: whether with all `steps` off they can carry the rest on every line.
    """

    over: tuple[LineOver, ...]
    steps: tuple[ShedStep, ...]
    enough: bool


@dataclass(frozen=True, slots=True)
class OnBattery:
    """A system on its banks: since when, when it ends at the earliest and the latest, what to shed first.

    `starts_failed` None: not judged, since the supply is not seen lost at every unit that can be read. `fed`: units of its
    supply that are seen fed, in this system or another. `carried`: those of this system can carry its load alone, so it has no
    end. `start_set_before`: the last moment to start the generator in time; None also where that lies before the outage.
    `relief`: what overloads the fed units of a system once the others' banks end. `hand_s`: what a start by hand takes until
    the last unit has ramped on, from setting out, as declared, s; `set_out_before`: the last moment to set out for it.
    `set_says`: what the site said of the generator since it was lost. `unfed_since`: since when none of its own units was seen
    fed. `offered_since`: since when one of them on its bank has voltage at its input again. `takes_by`: until when its units on
    their banks may take the supply that stands at all their inputs; None while one has none. `outlasted`: the end foretold,
    once passed. `known`: how well it is foretold.
    """

    since: datetime
    ends_earliest: datetime | None
    ends_latest: datetime | None
    start_set_before: datetime | None = None
    starts_failed: int | None = None
    reckoned_since: datetime | None = None
    shed: ShedFirst | None = None
    fed: tuple[str, ...] = ()
    carried: bool = False
    unfed_since: datetime | None = None
    offered_since: datetime | None = None
    outlasted: datetime | None = None
    known: EndKnown | None = None
    takes_by: datetime | None = None
    set_says: SetSays | None = None
    hand_s: float | None = None
    set_out_before: datetime | None = None
    relief: Relief | None = None

    @property
    def act_before(self) -> datetime | None:
        """Return the last moment for the generator: to set out for it where a start by hand is declared, else to start it."""
        return self.set_out_before or self.start_set_before

    def taking(self, at: datetime) -> bool:
        """Return whether at that moment it is about to take a supply that is there, before its banks can end."""
        if self.takes_by is None or at >= self.takes_by:
            return False
        return self.ends_earliest is None or self.takes_by < self.ends_earliest


class FindingKind(StrEnum):
    """What sets one unit of a system apart from its siblings."""

    SHARE_REAL = "share_real"
    SHARE_REACTIVE = "share_reactive"
    CIRCULATING = "circulating"
    IDLE = "idle"
    LEFT_OUT = "left_out"
    PHASES = "phases"
    VOLTAGE = "voltage"
    FREQUENCY = "frequency"
    SOURCE = "source"
    FIRMWARE = "firmware"
    RATING = "rating"
    SETTINGS = "settings"
    NOT_ON_BATTERY = "not_on_battery"
    ALONE_ON_BATTERY = "alone_on_battery"
    LATE_BACK = "late_back"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that sets a unit (or the system) apart, with its value and limit where there is one.

    `at`: when it happened, for what is past; None for what is so now.
    """

    kind: FindingKind
    about: str
    because: Reason
    value: float | None = None
    limit: float | None = None
    line: int | None = None
    at: datetime | None = None


@dataclass(frozen=True, slots=True)
class SystemState:
    """Everything said of one system (SYSTEM of the HTTP interface)."""

    id: str
    name: str
    site: str
    as_of: datetime | None
    load: Load
    units: tuple[UnitStanding, ...]
    redundancy: Redundancy | None
    hold_up: HoldUps
    requirements: tuple[RequirementVerdict, ...]
    on_battery: OnBattery | None
    not_checked: tuple[Reason, ...] = ()
    findings: tuple[Finding, ...] = ()
    partner: PartnerVerdict | None = None
    work: tuple[UnitWork, ...] = ()

    @property
    def feeds_nothing(self) -> bool:
        """Return whether every unit of it is off: its load is off, and set against no unit it says nothing of a spare."""
        return all_off(self.units)


def all_off(units: Sequence[UnitStanding]) -> bool:
    """Return whether units are all seen off, of those there are."""
    return bool(units) and all(unit.standing is Standing.OFF for unit in units)
