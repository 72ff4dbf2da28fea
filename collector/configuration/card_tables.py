"""Network cards in the estate file: where each answers, what it speaks for, how often it is read, what it is read as."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, BeforeValidator, Field
from pydantic_core import PydanticCustomError

import rules.plant.estate as plant
from collector.cards.mib.upsmib import BY_NAME
from collector.cards.snmp.target import CardTarget, parse_target
from collector.configuration.plant.values import Id, Number, PlantTable, Whole


def _target(value: object) -> CardTarget:
    if isinstance(value, CardTarget):
        return value
    try:
        return parse_target(value if isinstance(value, str) else "")
    except ValueError as error:
        raise PydanticCustomError(
            "want", "{want}", {"want": str(error), "got": "something else (not shown: it may hold a secret)"}
        ) from None


def _mib_name(text: str) -> str:
    item = BY_NAME.get(text)
    if item is None or item.unit is None:
        raise PydanticCustomError(
            "want", "{want}", {"want": "a measured object of RFC 1628", "got": text[:60]}
        )
    return text


MibName = Annotated[str, AfterValidator(_mib_name)]


Target = Annotated[CardTarget, BeforeValidator(_target)]


class PollingTable(PlantTable):
    """How often cards are read; a card's own settings win."""

    every_s: Number = Field(default=5.0, ge=1, le=300, description="seconds between readings on mains")
    on_battery_every_s: Number = Field(
        default=2.0, ge=0.5, le=60, description="seconds between readings on battery or in a test"
    )
    slow_every_s: Number = Field(
        default=60.0,
        ge=5,
        le=3600,
        description="seconds between readings of what changes slowly (bypass, test results)",
    )
    nameplate_every_s: Number = Field(
        default=86400.0, ge=60, le=604800, description="seconds between readings of the nameplate"
    )
    deadline_s: Number = Field(default=2.0, ge=0.2, le=30, description="seconds to wait for one reply")
    retries: Whole = Field(default=1, ge=0, le=5, description="times one request is sent again")
    objects_per_request: Whole = Field(
        default=60, ge=1, le=60, description="the most objects asked for at once; each card begins with 20"
    )


class CardTable(PlantTable):
    """A network card."""

    id: Id = Field(description="short name")
    target: Target = Field(description="snmp://HOST[:PORT], an address or a host name")
    secret: Id = Field(description="the name of its community or SNMPv3 user in the secrets file")
    covers: tuple[Id, ...] = Field(min_length=1, description="the units it speaks for")
    reports: Literal["unit", "sum", "first"] = Field(
        default="unit", description="where it covers several: the sum of all, or the first only"
    )
    snmp_version: Literal["1", "2c", "3"] | None = Field(
        default=None, description="2c with a community and 3 with a user where left out"
    )
    every_s: Number | None = Field(default=None, ge=1, le=300, description="as in [polling], for this card")
    on_battery_every_s: Number | None = Field(
        default=None, ge=0.5, le=60, description="as in [polling], for this card"
    )
    slow_every_s: Number | None = Field(
        default=None, ge=5, le=3600, description="as in [polling], for this card"
    )
    nameplate_every_s: Number | None = Field(
        default=None, ge=60, le=604800, description="as in [polling], for this card"
    )
    deadline_s: Number | None = Field(
        default=None, ge=0.2, le=30, description="as in [polling], for this card"
    )
    retries: Whole | None = Field(default=None, ge=0, le=5, description="as in [polling], for this card")
    objects_per_request: Whole | None = Field(
        default=None, ge=1, le=60, description="as in [polling], for this card"
    )
    read_as: dict[MibName, Number | Literal["not_known"]] | None = Field(
        default=None,
        description="what a MIB object is to be multiplied by, or `not_known`; wins over what is learnt",
    )

    def value(self) -> plant.Card:
        """Return the rules' value, without the address."""
        return plant.Card(self.id, self.covers, plant.CardReports(self.reports))

    def overrides(self) -> dict[str, float | None]:
        """Return MIB object -> factor, None for one that is not to be believed."""
        return {
            name: None if how == "not_known" else float(how) for name, how in (self.read_as or {}).items()
        }

    def polling(self, general: PollingTable) -> PollingTable:
        """Return the cadence of this card: its own settings over the general ones."""
        own = {name: getattr(self, name) for name in PollingTable.model_fields}
        return general.model_copy(update={name: value for name, value in own.items() if value is not None})
