"""What stands in the tables of the estate file: ids, numbers, days, zones; and what every table is."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Final
from zoneinfo import ZoneInfo

from pydantic import AfterValidator, BaseModel, ConfigDict, Field
from pydantic_core import PydanticCustomError

ID_WANTED: Final = "1 to 40 letters, digits, '_', '-' or '.', beginning with a letter or digit"


def checked_id(text: str) -> str:
    """Return an id as it may stand in an estate file; raises PydanticCustomError for any other."""
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


Id = Annotated[str, Field(strict=True), AfterValidator(checked_id)]

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
