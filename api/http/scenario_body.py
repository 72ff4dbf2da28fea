"""A scenario as people write it: the body of the HTTP request, and the file that `plan --scenario` reads."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Final
from zoneinfo import ZoneInfo

from pydantic import BaseModel, ConfigDict, Field

from rules.planning.ridethrough.scenario import BankCase, PlannedShed, Scenario
from rules.planning.ridethrough.supply import MainsOut, SetCase, SetPlan

DAY_S: Final = 86_400.0


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)


class OutageBody(_Strict):
    """Mains lost at `from_s` after the start, for `for_s` (null: not back)."""

    from_s: float = Field(0.0, ge=0.0, le=14 * DAY_S)
    for_s: float | None = Field(None, gt=0.0, le=14 * DAY_S)
    generator: bool = Field(True, description="false: the generator is isolated in this window")
    feed: str | None = Field(None, max_length=80, description="name of the feed switched off")


class SetBody(_Strict):
    """What the generator does."""

    case: SetCase = SetCase.AS_DECLARED
    at_try: int | None = Field(None, ge=1, le=20)
    after_s: float | None = Field(None, ge=0.0, le=DAY_S)
    refused_s: float = Field(0.0, ge=0.0, le=DAY_S, description="how much longer the units refuse its supply")
    fuel_hours: float | None = Field(None, gt=0.0, le=1000.0)
    retransfer_s: float = Field(600.0, ge=0.0, le=DAY_S)


class ShedBody(_Strict):
    """A load group to drop, at a time or when no more than so much is left."""

    group: str = Field(max_length=80)
    at_s: float | None = Field(None, ge=0.0, le=14 * DAY_S)
    when_left_s: float | None = Field(None, gt=0.0, le=DAY_S)


class ScenarioBody(_Strict):
    """A scenario. Without anything: mains lost and not back, the generator starting at its last try."""

    outages: list[OutageBody] = Field(default_factory=lambda: [OutageBody()], min_length=1, max_length=50)  # type: ignore[call-arg]
    generator: SetBody = Field(default_factory=SetBody)  # type: ignore[arg-type]
    units_out: list[str] = Field(default_factory=list, max_length=16)
    sheds: list[ShedBody] = Field(default_factory=list, max_length=12)
    banks: BankCase = BankCase.NOW
    coldest: bool = False
    load_times: float = Field(1.0, ge=0.0, le=10.0)
    load_added_w: dict[int, float] = Field(default_factory=dict, description="by board line, W")
    until_s: float = Field(2 * DAY_S, gt=0.0, le=14 * DAY_S)
    starts_at: datetime | None = Field(
        None,
        description="RFC 3339, without a zone by the site's clock: the load is what this hour of the week asked in the "
        "last weeks; left out: the load now",
    )

    def begins(self, time_zone: str) -> datetime | None:
        """Return when the scenario starts, in UTC."""
        at = self.starts_at
        if at is None:
            return None
        return (at.replace(tzinfo=ZoneInfo(time_zone)) if at.tzinfo is None else at).astimezone(UTC)

    def value(self) -> Scenario:
        """Return the scenario. Raises ValueError where a shed has no moment or two, or a line is not one."""
        for shed in self.sheds:
            if (shed.at_s is None) == (shed.when_left_s is None):
                raise ValueError(f"sheds: {shed.group}: want one of at_s and when_left_s")
        strange = [line for line in self.load_added_w if line not in {1, 2, 3}]
        if strange:
            raise ValueError(f"load_added_w: want board lines 1 to 3; got {strange[0]}")
        plan = self.generator
        return Scenario(
            outages=tuple(MainsOut(o.from_s, o.for_s, o.generator, o.feed) for o in self.outages),
            generator=SetPlan(
                plan.case, plan.at_try, plan.after_s, plan.refused_s, plan.fuel_hours, plan.retransfer_s
            ),
            units_out=frozenset(self.units_out),
            sheds=tuple(PlannedShed(s.group, s.at_s, s.when_left_s) for s in self.sheds),
            banks=self.banks,
            coldest=self.coldest,
            load_times=self.load_times,
            load_added_w=tuple(sorted(self.load_added_w.items())),
            until_s=self.until_s,
        )
