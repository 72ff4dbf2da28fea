"""The site of the two weeks: its ten units, its three people, and what happens to it (`tests.backtest.fortnight` plays it)."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

from collector.configuration.people.people import People
from collector.configuration.people.tables import PersonTable, RotaTable
from collector.simulation.plant.supply import SupplyPlant
from collector.simulation.scenario.demonstration import BlockType
from collector.simulation.scenario.director import (
    BankWeak,
    CardHangs,
    MainsFails,
    MainsReturns,
    SetWill,
    TestEnds,
    UnitIsolated,
    UnitReturned,
    UnitTested,
)
from rules.plant import estate as declared
from tests.audit.estates import AuditEstate, Drawing
from tests.audit.happenings import InputCloses, InputOpens, LoadSteps, ServiceRestarts
from tests.audit.stories import StoryCue

HERE: Final = ZoneInfo("Europe/London")
START: Final = datetime(2026, 12, 21, 6, 0, tzinfo=UTC)
DAYS: Final = 14
SYSTEMS: Final = {"control": 3, "pumps": 3, "filters": 2, "depot": 2}
ADA, BEN, CLEO = "Ada", "Ben", "Cleo"
WAIT_S: Final = 600.0
"""What nobody has answered for so long is told to Cleo too."""


def at(day: int, clock: str) -> float:
    """Return a moment of the site's own clock as seconds since the start: `day` 1 is the first, `clock` as 07:30:00."""
    moment = datetime.fromisoformat(f"{START.astimezone(HERE).date() + timedelta(days=day - 1)}T{clock}")
    return (moment.replace(tzinfo=HERE) - START).total_seconds()


def cues() -> tuple[StoryCue, ...]:
    """Return what happens in the two weeks, in order."""
    found = [
        StoryCue(at(2, "11:00:00"), UnitTested("pumps-1")),  # a battery test on a working day
        StoryCue(at(2, "11:04:00"), TestEnds("pumps-1")),
        StoryCue(at(3, "02:10:00"), CardHangs("control-2-card", 2400.0)),  # a card is silent at night
        StoryCue(at(4, "19:00:00"), MainsFails("mains")),  # Christmas Eve: the generator comes
        StoryCue(at(4, "19:25:00"), MainsReturns("mains")),
        StoryCue(at(5, "03:40:00"), MainsFails("feeder")),  # Christmas night: a dip
        StoryCue(at(5, "03:40:08"), MainsReturns("feeder")),
        StoryCue(
            at(8, "07:40:00"), SetWill("mains", None)
        ),  # the generator does not come, and the duty goes over
        StoryCue(at(8, "07:40:00"), MainsFails("mains")),
        StoryCue(at(8, "08:12:00"), MainsReturns("mains")),
        StoryCue(at(8, "12:00:00"), SetWill("mains", 1)),
        StoryCue(at(9, "22:30:00"), MainsFails("feeder")),  # while the way to phones is dead
        StoryCue(at(9, "22:50:00"), MainsReturns("feeder")),
        StoryCue(at(10, "09:00:00"), UnitIsolated("control-3")),  # work on a unit
        StoryCue(at(10, "15:00:00"), UnitReturned("control-3")),
        StoryCue(at(11, "23:50:00"), MainsFails("mains")),  # over New Year's Eve
        StoryCue(at(12, "00:20:00"), MainsReturns("mains")),
        StoryCue(at(12, "15:00:00"), LoadSteps("filters", 0.6)),  # no unit can be spared on the holiday
        StoryCue(at(12, "21:00:00"), LoadSteps("filters", 0.0)),
        StoryCue(at(13, "04:00:00"), BankWeak("depot-1-bank", 12, 0.5)),
        StoryCue(at(13, "04:30:00"), MainsFails("mains")),
        StoryCue(at(13, "04:31:00"), ServiceRestarts(40.0, killed=True)),
        StoryCue(at(13, "04:50:00"), MainsReturns("mains")),
    ]
    # a contact that does not hold: one unit's input comes and goes through a Saturday morning
    for times in range(40):
        opened = at(6, "09:00:00") + times * 97.0
        found += [
            StoryCue(opened, InputOpens("filters-1")),
            StoryCue(opened + 11.0, InputCloses("filters-1")),
        ]
    return tuple(sorted(found, key=lambda cue: cue.at_s))


DEAD: Final = ((at(9, "18:00:00"), at(10, "06:00:00")),)
"""When no message gets to a phone."""


def people() -> People:
    """Return who is told what: two take weekly turns, the third is told of what nobody answers, and at the desk."""
    desk = {
        "severity": "warning",
        "days": ["mon", "tue", "wed", "thu", "fri"],
        "from": "08:00:00",
        "until": "16:30:00",
    }

    def person(name: str, *tells: Mapping[str, Any]) -> PersonTable:
        ways = [
            {"channel": "phone", "address": name},
            {"channel": "mail", "address": f"{name}@works.example"},
        ]
        return PersonTable.model_validate({"name": name, "reach": ways, "tell": list(tells)}, strict=False)

    duty = {"severity": "major", "on_call": "duty"}
    unanswered = {"severity": "major", "unanswered_s": WAIT_S}
    rota = RotaTable.model_validate(
        {
            "id": "duty",
            "people": [ADA, BEN],
            "from": datetime(2026, 12, 21, 8, 0),  # noqa: DTZ001 - by the clock on the wall
            "stand_in": [
                {"person": CLEO, "from": datetime(2026, 12, 25, 8, 0), "until": datetime(2026, 12, 26, 8, 0)},  # noqa: DTZ001
            ],
        }
    )
    told = (person(ADA, duty, desk), person(BEN, duty, desk), person(CLEO, duty, unanswered))
    return People(told, "Europe/London", {"duty": rota})


class TenUnits(Drawing):
    """The site: three systems on the main supply with a generator, one on a feeder without."""

    def __init__(self, seed: int, now: datetime) -> None:
        super().__init__(seed)
        self.now = now

    def _requirements(self, *, with_set: bool, hand: bool) -> tuple[declared.Requirement, ...]:
        if with_set:
            return (declared.Requirement("set", declared.Purpose.GENERATOR_START, None),)
        return (declared.Requirement("close", declared.Purpose.ORDERLY_SHUTDOWN, 300.0),)

    def _block(self, unit_w: float, rating_w: float, cells: int) -> BlockType:
        return super()._block(2.5 * unit_w, rating_w, cells)

    def drawn(self) -> AuditEstate:
        self.generator = self.standby_set()
        supply_of = dict.fromkeys(SYSTEMS, "mains") | {"filters": "feeder"}
        systems = {name: self.system(name, supply_of[name], count) for name, count in SYSTEMS.items()}
        plants = {"mains": SupplyPlant("mains", self.generator), "feeder": SupplyPlant("feeder", None)}
        return self.estate(plants, systems)


def day_of(at_s: float) -> int:
    """Return the day of the two weeks, 1 the first, by the site's clock."""
    here = (START + timedelta(seconds=at_s)).astimezone(HERE).date()
    return (here - START.astimezone(HERE).date()).days + 1
