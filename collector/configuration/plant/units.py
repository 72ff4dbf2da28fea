"""The tables of units, and of what is fitted in their positions."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

import rules.plant.estate as plant
from collector.configuration.plant.values import (
    Day,
    Id,
    Interval,
    NotNegative,
    PlantTable,
    Positive,
    Text,
    Whole,
    Yes,
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
