"""The tables of banks, of the blocks fitted in them, and of what their maker published."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

import rules.plant.estate as plant
from collector.configuration.plant.values import Celsius, Day, Id, Number, PlantTable, Positive, Text, Whole

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
