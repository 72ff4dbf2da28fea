"""A signed shutdown over HTTP: how it is asked for, and how it is given."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any, Final
from zoneinfo import ZoneInfo

from pydantic import BaseModel, ConfigDict, Field

from api.http.answer_forms import Shaped
from api.http.said import Name, Note
from api.http.scenario_body import DAY_S, ScenarioBody
from collector.read_model.answers import SignedShutdown
from rules.phrasing.wire import rfc3339, to_json
from rules.planning.ridethrough.result import Ridethrough
from rules.planning.ridethrough.scenario import Scenario
from rules.planning.ridethrough.signed_course import Compared, PlanCourse, Status
from rules.planning.ridethrough.signed_plan import LOAD_OVER, OVERRUN, AbortLimits, Breach
from rules.planning.ridethrough.supply import MainsOut, OnBanks


class LimitsBody(BaseModel):
    """When the shutdown is to be broken off, beside banks that end before supply is planned back."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)

    load_over_fraction: float = Field(LOAD_OVER, ge=0.0, le=1.0, description="load above the planned one")
    overrun_s: float = Field(
        OVERRUN.total_seconds(), ge=0.0, le=3600.0, description="on the banks longer than planned"
    )
    margin_s: float = Field(0.0, ge=0.0, le=DAY_S, description="the least that the banks must have to spare")

    def value(self) -> AbortLimits:
        """Return the limits."""
        return AbortLimits(self.load_over_fraction, self.overrun_s, self.margin_s)


class SignBody(BaseModel):
    """A shutdown to be signed: when, what, and by whom. Either `lasts_s` or `scenario`."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)

    by: Name = Field(description="who signs")
    note: Note = Field("", description="why, or the number of the permit")
    starts_at: datetime = Field(description="RFC 3339; without a zone by the site's clock")
    lasts_s: float | None = Field(
        None, gt=0.0, le=14 * DAY_S, description="how long the mains is off, in one piece"
    )
    generator: bool = Field(True, description="with `lasts_s`; false: the generator is isolated meanwhile")
    scenario: ScenarioBody | None = Field(None, description="anything else, as for `ridethrough`")
    limits: LimitsBody = Field(default_factory=LimitsBody)  # type: ignore[arg-type]

    def shutdown(self) -> Scenario:
        """Return what is to be played. Raises ValueError where there is not exactly one, or it is not one."""
        if (self.lasts_s is None) == (self.scenario is None):
            raise ValueError("want one of lasts_s and scenario")
        if self.scenario is not None:
            if self.scenario.starts_at is not None:
                raise ValueError("scenario.starts_at: want none here; the plan's own starts_at says it")
            return self.scenario.value()
        return Scenario((MainsOut(0.0, self.lasts_s, self.generator),))

    def begins(self, time_zone: str) -> datetime:
        """Return the start, by the site's clock where no zone was given."""
        if self.starts_at.tzinfo is not None:
            return self.starts_at
        return self.starts_at.replace(tzinfo=ZoneInfo(time_zone))


class WithdrawBody(BaseModel):
    """Who withdraws a plan, and why."""

    model_config = ConfigDict(extra="forbid")

    by: Name = Field(description="who withdraws it")
    note: Note = Field("", description="why")


PLAN: Final = Shaped(
    "SignedPlan",
    {
        "id": str, "system": str, "status": Status, "starts_at": datetime, "ends_at": datetime,
        "signed_by": str, "signed_at": datetime, "note": str, "load_w": float, "counted_on": list[str],
        "limits": Shaped("AbortLimits", {"load_over_fraction": float, "overrun_s": float, "margin_s": float}),
        "scenario": Scenario, "stretches": list[OnBanks], "result": Ridethrough, "breaches": list[Breach],
        "against": list[str] | None, "against_at": datetime | None, "course": PlanCourse,
        "compared": list[Compared], "safety": list[str],
    },
    "What was signed, how far it has come, what is met of its abort criteria, and what came of it.",
)  # fmt: skip


def plan_json(kept: SignedShutdown, breaches: Sequence[Breach] = ()) -> dict[str, Any]:
    """Return PLAN: what was signed, how far it has come, and what is met of its abort criteria now."""
    plan, course = kept.plan, kept.course
    return {
        "id": kept.id,
        "system": plan.system,
        "status": course.status.value,
        "starts_at": rfc3339(plan.starts_at),
        "ends_at": rfc3339(plan.ends_at),
        "signed_by": plan.signed_by,
        "signed_at": rfc3339(plan.signed_at),
        "note": plan.note,
        "load_w": plan.load_w,
        "counted_on": list(plan.counted_on),
        "limits": {
            "load_over_fraction": plan.limits.load_over,
            "overrun_s": plan.limits.overrun_s,
            "margin_s": plan.limits.margin_s,
        },
        "scenario": to_json(plan.scenario),
        "stretches": to_json(plan.stretches),
        "result": to_json(plan.result),
        "breaches": to_json(breaches),
        "against": to_json(kept.against),
        "against_at": to_json(kept.against_at),
        "course": to_json(course),
        "compared": to_json(kept.compared),
        "safety": to_json(plan.safety),
    }
