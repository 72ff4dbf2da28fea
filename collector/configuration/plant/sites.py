"""The tables of sites, supplies, generators and systems, of what a system must hold for, and of what the watch itself hangs on."""

from __future__ import annotations

from typing import Literal
from zoneinfo import ZoneInfo

from pydantic import Field

import rules.plant.estate as plant
from collector.configuration.plant.values import Id, NotNegative, PlantTable, Positive, Text, Whole, Zone


class AnswerTable(PlantTable):
    """How long alarms may stand unacknowledged; 0 for one that is never told again for that."""

    critical_s: NotNegative = Field(default=300.0, le=604800, description="seconds for a critical alarm")
    major_s: NotNegative = Field(default=1800.0, le=604800, description="seconds for a major one")
    minor_s: NotNegative = Field(default=0.0, le=604800, description="seconds for a minor one; 0 is never")
    warning_s: NotNegative = Field(default=0.0, le=604800, description="seconds for a warning; 0 is never")

    def value(self) -> plant.AnswerTimes:
        """Return the rules' value."""
        return plant.AnswerTimes(
            critical_s=self.critical_s or None,
            major_s=self.major_s or None,
            minor_s=self.minor_s or None,
            warning_s=self.warning_s or None,
        )


class SiteTable(PlantTable):
    """A place with one clock on the wall."""

    id: Id = Field(description="short name, used in addresses and messages")
    name: Text = Field(description="the name people use")
    time_zone: Zone = Field(description="IANA time zone, as Europe/London")
    answer_within: AnswerTable = Field(
        default=AnswerTable(),
        description="seconds until an alarm that nobody acknowledges is told again, three times at the most",
    )

    def value(self) -> plant.Site:
        """Return the rules' value."""
        zone = ZoneInfo(self.time_zone)
        return plant.Site(self.id, self.name, self.time_zone, self.answer_within.value(), zone)


class SupplyTable(PlantTable):
    """An incoming mains supply."""

    id: Id = Field(description="short name")
    site: Id = Field(description="the site it comes into")
    generator: Id | None = Field(
        default=None, description="the standby generator behind it; leave out for none"
    )

    def value(self) -> plant.Supply:
        """Return the rules' value."""
        return plant.Supply(self.id, self.site, self.generator)


class GeneratorTable(PlantTable):
    """A standby generator; times as found in its controller's settings, or measured at a test."""

    id: Id = Field(description="short name")
    rating_w: Positive = Field(description="standby rating, watts")
    detect_s: NotNegative = Field(default=5.0, description="seconds of lost mains before the first crank")
    attempts: Whole = Field(default=3, ge=1, le=10, description="cranks before the generator gives up")
    crank_s: Positive = Field(default=15.0, description="seconds of one crank")
    rest_s: NotNegative = Field(default=15.0, description="seconds of rest between cranks")
    start_s: NotNegative = Field(
        default=10.0, description="seconds of run-up until volts and hertz are steady"
    )
    transfer_s: NotNegative = Field(default=5.0, description="seconds the changeover takes")
    hand_start_s: NotNegative | None = Field(
        default=None,
        description="seconds to start it by hand, the way there included; leave out if nobody can",
    )
    fuel_hours: Positive | None = Field(default=None, description="hours the fuel lasts at the site's load")
    evidence: Literal["person", "contact", "frequency"] = Field(
        default="person",
        description="what shows that it runs: a person's word, a contact, or the input's frequency",
    )
    test_every_days: Whole = Field(
        default=31,
        ge=1,
        le=1830,
        description="days from one test on load (30 min at 30 % of rating) to the next",
    )

    def value(self) -> plant.Generator:
        """Return the rules' value."""
        return plant.Generator(
            id=self.id,
            rating_w=self.rating_w,
            detect_s=self.detect_s,
            attempts=self.attempts,
            crank_s=self.crank_s,
            rest_s=self.rest_s,
            start_s=self.start_s,
            transfer_s=self.transfer_s,
            hand_start_s=self.hand_start_s,
            fuel_hours=self.fuel_hours,
            evidence=plant.GeneratorEvidence(self.evidence),
            test_every_days=self.test_every_days,
        )


class RequirementTable(PlantTable):
    """A hold-up time somebody counts on."""

    id: Id = Field(description="short name, unique within the system")
    purpose: Literal["generator_start", "manual_generator_start", "orderly_shutdown", "planned"] = Field(
        alias="for", description="what the time is needed for"
    )
    required_s: Positive | None = Field(
        default=None,
        description="seconds needed; left out for a generator, it is reckoned from the generator and the units",
    )

    def value(self) -> plant.Requirement:
        """Return the rules' value."""
        return plant.Requirement(self.id, plant.Purpose(self.purpose), self.required_s)


class SystemTable(PlantTable):
    """Units in parallel that feed one output."""

    id: Id = Field(description="short name")
    name: Text | None = Field(default=None, description="the name people use; the id where left out")
    site: Id = Field(description="the site it stands on")
    supply: Id = Field(description="the mains supply that feeds it")
    board: Text | None = Field(default=None, description="the switchboard that feeds it")
    spare_units: Whole = Field(
        default=1, ge=0, le=7, description="units the system can lose: 1 for N+1, 0 for none"
    )
    partner: Id | None = Field(default=None, description="a system that must be able to take this load too")
    requirements: tuple[RequirementTable, ...] = Field(
        default=(), description="the hold-up times it must give"
    )

    def value(self) -> plant.System:
        """Return the rules' value."""
        return plant.System(
            id=self.id,
            name=self.name or self.id,
            site=self.site,
            supply=self.supply,
            board=self.board,
            spare_units=self.spare_units,
            partner=self.partner,
            requirements=tuple(r.value() for r in self.requirements),
        )


class LoadGroupTable(PlantTable):
    """Loads that are switched together."""

    id: Id = Field(description="short name")
    system: Id = Field(description="the system that feeds it")
    watts: tuple[NotNegative, ...] = Field(
        min_length=1, max_length=3, description="watts on each board line, line 1 first"
    )
    importance: Whole = Field(ge=1, le=100, description="1 is kept longest; higher numbers are shed first")
    restart_after: tuple[Id, ...] = Field(default=(), description="load groups that must run before this one")
    shed_by: Text | None = Field(default=None, description="who or what switches it off, and how")

    def value(self) -> plant.LoadGroup:
        """Return the rules' value."""
        return plant.LoadGroup(
            self.id, self.system, self.watts, self.importance, self.restart_after, self.shed_by
        )


class WatchTable(PlantTable):
    """What keeps the watch itself alive: a system's id, or "mains"."""

    box_fed_by: Id | None = Field(default=None, description='what feeds this computer: a system, or "mains"')
    switches_fed_by: Id | None = Field(
        default=None,
        description='what feeds the network switches between here and the cards: a system, or "mains"',
    )
    way_out_fed_by: Id | None = Field(
        default=None, description='what feeds the way out (router, line, modem): a system, or "mains"'
    )

    def value(self) -> plant.WatchPower:
        """Return the rules' value."""
        return plant.WatchPower(self.box_fed_by, self.switches_fed_by, self.way_out_fed_by)
