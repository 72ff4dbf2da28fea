"""The tables of the estate file that describe plant, and the rules' values made from them.

Each class is one table; `Field(description=...)` is the handbook's text. A value that no plant can have
is refused here; what needs two settings to judge is in `impossible`, what needs two tables in `references`.
"""

from __future__ import annotations

from datetime import date
from typing import Annotated, Final, Literal
from zoneinfo import ZoneInfo

from pydantic import AfterValidator, BaseModel, ConfigDict, Field
from pydantic_core import PydanticCustomError

import rules.plant.estate as plant

ID_WANTED: Final = "1 to 40 letters, digits, '_', '-' or '.', beginning with a letter or digit"


def _id(text: str) -> str:
    allowed = set("_-.")
    if (
        not 1 <= len(text) <= 40
        or not text.isascii()
        or not text[0].isalnum()
        or not all(c.isalnum() or c in allowed for c in text)
    ):
        raise PydanticCustomError("want", "{want}", {"want": ID_WANTED})
    return text


def _zone(text: str) -> str:
    try:
        ZoneInfo(text)
    except (KeyError, ValueError, OSError):
        raise PydanticCustomError(
            "want", "{want}", {"want": "a time zone of the IANA data base, as Europe/London"}
        ) from None
    return text


Id = Annotated[str, Field(strict=True), AfterValidator(_id)]
Text = Annotated[str, Field(strict=True, min_length=1, max_length=200)]
Number = Annotated[float, Field(strict=True, allow_inf_nan=False)]
Positive = Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0)]
Interval = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0.08, le=40)]
NotNegative = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0)]
Whole = Annotated[int, Field(strict=True)]
Yes = Annotated[bool, Field(strict=True)]
Day = Annotated[date, Field(strict=True)]
Zone = Annotated[str, Field(strict=True), AfterValidator(_zone)]
Celsius = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=-30, le=60)]


class PlantTable(BaseModel):
    """A table of the estate file: unknown settings are faults, values do not change afterwards."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, hide_input_in_errors=True, arbitrary_types_allowed=True
    )


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


class FittedUnitTable(PlantTable):
    """The cabinet in a position, from one day until another."""

    from_day: Day = Field(alias="from", description="the day it was put in")
    until_day: Day | None = Field(
        default=None, alias="until", description="the day it was taken out; open for the last"
    )
    model: Text = Field(description="maker's model")
    rating_va: Positive = Field(description="volt-amperes of the installed modules, not of the frame")
    rating_w: Positive = Field(description="watts of the installed modules; never above rating_va")
    life_years: Interval = Field(
        default=plant.UNIT_LIFE_YEARS,
        description="age at which the cabinet is due for replacement (trade: 10 to 15 years)",
    )
    fans_every_years: Interval | None = Field(
        default=None, description="years between renewals of its fans, as the maker says (usually about 5)"
    )
    capacitors_every_years: Interval | None = Field(
        default=None,
        description="years between renewals of its capacitors, as the maker says (usually about 7)",
    )
    visit_every_years: Interval | None = Field(
        default=None, description="years between service visits to it, 0.5 for two a year"
    )

    def value(self) -> plant.FittedUnit:
        """Return the rules' value."""
        return plant.FittedUnit(
            self.from_day,
            self.until_day,
            self.model,
            self.rating_va,
            self.rating_w,
            self.life_years,
            self.fans_every_years,
            self.capacitors_every_years,
            self.visit_every_years,
        )


class UnitTable(PlantTable):
    """A position on the bypass panel, whatever cabinet stands in it."""

    id: Id = Field(description="short name of the position")
    system: Id = Field(description="the system it belongs to")
    output_lines: Whole = Field(default=3, ge=1, le=3, description="output lines of the unit: 1, 2 or 3")
    line_order: tuple[Whole, ...] | None = Field(
        default=None, description="the board line behind each output line; [1, 2, 3] where left out"
    )
    normal_mode: Literal["double_conversion", "economy"] = Field(
        default="double_conversion", description="how it feeds the load when all is well"
    )
    may_rest: Yes = Field(default=False, description="true if it may stand by at low load")
    accept_s: NotNegative = Field(
        default=20.0, description="seconds it watches a returned supply before taking it"
    )
    hold_off_s: NotNegative = Field(default=0.0, description="seconds it then waits its turn")
    walk_in_s: NotNegative = Field(default=20.0, description="seconds it takes to ramp on to the supply")
    fitted: tuple[FittedUnitTable, ...] = Field(
        min_length=1, description="cabinets over time, earliest first"
    )

    def value(self) -> plant.Unit:
        """Return the rules' value."""
        return plant.Unit(
            id=self.id,
            system=self.system,
            output_lines=self.output_lines,
            line_order=self.line_order or tuple(range(1, self.output_lines + 1)),
            fitted=tuple(f.value() for f in self.fitted),
            normal_mode=plant.NormalMode(self.normal_mode),
            may_rest=self.may_rest,
            accept_s=self.accept_s,
            hold_off_s=self.hold_off_s,
            walk_in_s=self.walk_in_s,
        )


MinutesWatts = tuple[tuple[Positive, Positive], ...]


class ConstantPowerTable(PlantTable):
    """A maker's constant-power table at one end voltage."""

    end_voltage_per_cell_v: Number = Field(
        ge=1.5, le=1.9, description="end voltage of this table, V per cell"
    )
    minutes_watts: MinutesWatts = Field(min_length=2, description="pairs of minutes and watts per cell")


class BlocksTable(PlantTable):
    """What is known of a type of block and its installation; shared with the file of `capacity --bank`."""

    rated_capacity_ah: Positive | None = Field(
        default=None, description="rated capacity of one string, Ah at 25 °C"
    )
    rated_hours: Positive = Field(
        default=10.0, le=240, description="the hours the rated capacity is given for"
    )
    end_voltage_per_cell_v: Number = Field(
        default=1.67, ge=1.5, le=1.9, description="the voltage per cell at which the unit stops"
    )
    constant_power: MinutesWatts = Field(
        default=(), description="the maker's table at that end voltage: pairs of minutes and watts per cell"
    )
    constant_power_at: tuple[ConstantPowerTable, ...] = Field(
        default=(), description="the maker's tables at other end voltages"
    )
    constant_power_temperature_c: Celsius = Field(
        default=25.0, description="the temperature the tables hold for, °C"
    )
    design_life_years: Number | None = Field(
        default=None, ge=1, le=30, description="design life as printed (at 20 °C), years"
    )

    def power_tables(self) -> tuple[plant.PowerTable, ...]:
        """Return the maker's tables, the one at the bank's own end voltage first."""
        own = [(self.end_voltage_per_cell_v, self.constant_power)] if self.constant_power else []
        more = [(t.end_voltage_per_cell_v, t.minutes_watts) for t in self.constant_power_at]
        return tuple(
            plant.PowerTable(volts, tuple(sorted(rows)), self.constant_power_temperature_c)
            for volts, rows in own + more
        )


class FittedBankTable(BlocksTable):
    """The blocks in a bank's place, from one day until another: one installation, one life."""

    from_day: Day = Field(alias="from", description="the day they were put in")
    until_day: Day | None = Field(
        default=None, alias="until", description="the day they were taken out; open for the last"
    )
    type: Text = Field(description="maker's type; banks of one type teach each other")
    blocks: Whole = Field(ge=1, le=4000, description="all blocks of the bank: every string, both halves")

    def value(self) -> plant.FittedBank:
        """Return the rules' value."""
        return plant.FittedBank(
            from_day=self.from_day,
            until_day=self.until_day,
            type=self.type,
            blocks=self.blocks,
            end_voltage_per_cell_v=self.end_voltage_per_cell_v,
            rated_capacity_ah=self.rated_capacity_ah,
            rated_hours=self.rated_hours,
            constant_power=self.power_tables(),
            design_life_years=self.design_life_years,
        )


class BankTable(PlantTable):
    """The place of a bank."""

    id: Id = Field(description="short name of the place")
    feeds: tuple[Id, ...] = Field(min_length=1, description="the unit it feeds; several for a common bank")
    halves: Whole = Field(default=1, ge=1, le=2, description="2 for a bank split about its mid-point")
    voltage_reported: Literal["whole", "half"] = Field(
        default="whole", description="what the card calls battery voltage on a split bank"
    )
    cells_in_series: Whole = Field(ge=3, le=600, description="cells in series, of one half where split")
    strings: Whole = Field(default=1, ge=1, le=16, description="strings in parallel")
    charging: Literal["float", "intermittent"] = Field(
        default="float", description="kept on float, or rested at open circuit between charges"
    )
    order_lead_days: Whole = Field(
        default=56, ge=0, le=730, description="days from order to new blocks in place"
    )
    room_temperature_c: Celsius | None = Field(
        default=None, description="mean temperature about the bank, for years nobody measured, °C"
    )
    replacement_cost: Positive | None = Field(
        default=None,
        description="what new blocks cost, put in; with `failure_cost` the cheapest day is told too",
    )
    failure_cost: Positive | None = Field(
        default=None, description="what it costs if the bank does not give what is asked when it is needed"
    )
    fitted: tuple[FittedBankTable, ...] = Field(min_length=1, description="installations, earliest first")

    def value(self) -> plant.Bank:
        """Return the rules' value."""
        return plant.Bank(
            id=self.id,
            feeds=self.feeds,
            cells_in_series=self.cells_in_series,
            strings=self.strings,
            fitted=tuple(f.value() for f in self.fitted),
            halves=self.halves,
            voltage_reported=plant.VoltageReported(self.voltage_reported),
            charging=plant.Charging(self.charging),
            order_lead_days=self.order_lead_days,
            room_temperature_c=self.room_temperature_c,
            replacement_cost=self.replacement_cost,
            failure_cost=self.failure_cost,
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
