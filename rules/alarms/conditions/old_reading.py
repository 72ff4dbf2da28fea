"""What the age of a unit's last reading says: that nobody reads it, and why."""

from __future__ import annotations

from typing import Final

from rules.alarms.catalogue import Explanation
from rules.alarms.conditions.condition import Condition
from rules.alarms.lifecycle.course import Observation
from rules.plant.unread import OldReading
from rules.values.code import Code
from rules.values.reason import reason

OLD: Final = "unit_not_read"
SAYS_IT: Final = ("card_silent", "cannot_judge_unit")
"""Alarms of the unit that say already why there is no reading of it."""
WAITING: Final = ("readings_wait", "polls_late")
"""Alarms of the service that say already that it is behind, with all units or many."""


def old_reading(one: OldReading, name: str, *, said: bool, on_bank: bool) -> Condition:
    """Return the condition of a unit whose last reading is too old; `said`: another alarm tells of it."""
    what = reason(Code.READING_OLD, one.unit, name=name, age_s=one.age_s, why=one.why, on_bank=on_bank)
    return Condition(
        OLD,
        one.unit,
        Observation(
            True,
            what,
            facts={"age_s": one.age_s, "was_on_battery": float(on_bank)},
            explained=(Explanation.SAID_ALREADY.value,) if said else (),
        ),
    )
