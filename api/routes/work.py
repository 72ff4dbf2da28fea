"""Work on a unit: somebody says that it begins or is done; how far it has come is read from the cards."""

from __future__ import annotations

from typing import Final

from fastapi import APIRouter
from fastapi.responses import Response
from pydantic import AwareDatetime, BaseModel, ConfigDict, Field

from api.http.answer_forms import Shaped, items_of
from api.http.problems import Problem, not_known, told
from api.http.said import Name, Note
from api.routes.dependencies import Asked, answer
from collector.read_model.running import RunningSource
from rules.phrasing.safety import ADVICE_ONLY, SAFETY
from rules.system.work import UnitWork

router = APIRouter(prefix="/v1/systems/{system}/work", tags=["work"])

CAUTIONS: Final = (SAFETY, ADVICE_ONLY)


class Closing(BaseModel):
    """Who says that the work is done."""

    model_config = ConfigDict(extra="forbid")

    by: Name = Field(description="who says so")
    note: Note = Field("", description="what was done or found")


BEGUN: Final = Shaped(
    "WorkBegun", {"work": UnitWork | None, "safety": list[str]}, "Work that is followed now."
)
CLOSED: Final = Shaped("WorkClosed", {"unit": str, "closed_by": str}, "Work that is followed no longer.")


class Beginning(BaseModel):
    """Who begins work on which unit, and until when it is to take."""

    model_config = ConfigDict(extra="forbid")

    unit: str = Field(min_length=1, max_length=80, description="the unit that is worked on")
    by: Name = Field(description="who says so")
    until: AwareDatetime = Field(description="RFC 3339, in the future, at most 7 days away")
    note: Note = Field("", description="what is done")


@router.get("", responses=told(404, gives=items_of(UnitWork, safety=list[str])))
async def work(service: Asked, system: str) -> Response:
    """Give the work on a system's units that is followed: how far it has come, and what it does not explain."""
    _known(service, system)
    state = service.present.systems.get(system)
    return answer({"items": () if state is None else state.work, "next": None, "safety": CAUTIONS})


@router.post("", responses=told(404, 409, 422, gives=BEGUN))
async def begin(service: Asked, system: str, said: Beginning) -> Response:
    """Follow work on a unit from now on; what it explains is not told meanwhile. Said again, it gives more time."""
    _unit(service, system, said.unit)
    refusal = await service.work_begins(said.unit, by=said.by, until=said.until, note=said.note)
    if refusal is not None:
        raise Problem(409, "cannot-be-done", f"until: {refusal}")
    found = _followed(service, system, said.unit)
    return answer({"work": found, "safety": CAUTIONS})


@router.post("/{unit}/close", responses=told(404, 409, 422, gives=CLOSED))
async def close(service: Asked, system: str, unit: str, said: Closing) -> Response:
    """End the following of work on a unit; whatever is not as it should be is told from then on."""
    _unit(service, system, unit)
    refusal = await service.work_closes(unit, by=said.by, note=said.note)
    if refusal is not None:
        raise Problem(409, "cannot-be-done", refusal)
    return answer({"unit": unit, "closed_by": said.by})


def _known(service: RunningSource, system: str) -> None:
    if system not in service.estate.systems:
        raise not_known("system", system, list(service.estate.systems))


def _unit(service: RunningSource, system: str, unit: str) -> None:
    _known(service, system)
    units = [u.id for u in service.estate.units_of(system)]
    if unit not in units:
        raise not_known("unit", unit, units)


def _followed(service: RunningSource, system: str, unit: str) -> UnitWork | None:
    state = service.present.systems.get(system)
    return None if state is None else next((w for w in state.work if w.unit == unit), None)
