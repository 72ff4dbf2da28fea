"""What happens in a scenario, as it stands in its table (`rules.planning.ridethrough.supply`, `outcome`)."""

from __future__ import annotations

from rules.phrasing.says import says
from rules.values.code import Code


@says(Code.HAPPENS_MAINS_LOST)
def happens_mains_lost() -> str:
    """Say that the mains is lost."""
    return "mains lost"


@says(Code.HAPPENS_MAINS_BACK)
def happens_mains_back() -> str:
    """Say that the mains is back."""
    return "mains back"


@says(Code.HAPPENS_FEED_OFF)
def happens_feed_off(about: str) -> str:
    """Say which feed is switched off."""
    return f"feed {about} off"


@says(Code.HAPPENS_FEED_ON)
def happens_feed_on(about: str) -> str:
    """Say which feed is switched on."""
    return f"feed {about} on"


@says(Code.HAPPENS_START_FAILS)
def happens_start_fails(*, attempt: int) -> str:
    """Say which start of the generator fails."""
    return f"start {attempt} fails"


@says(Code.HAPPENS_START_WORKS)
def happens_start_works(*, attempt: int) -> str:
    """Say which start of the generator works."""
    return f"start {attempt} works"


@says(Code.HAPPENS_SET_TAKES_LOAD)
def happens_set_takes_load() -> str:
    """Say that the generator carries from now on."""
    return "generator takes the load"


@says(Code.HAPPENS_FUEL_OUT)
def happens_fuel_out() -> str:
    """Say that the generator stops."""
    return "fuel is out"


@says(Code.HAPPENS_LOAD_TO_MAINS)
def happens_load_to_mains() -> str:
    """Say that the generator is relieved."""
    return "load goes back to the mains"


@says(Code.HAPPENS_LOAD_LOST)
def happens_load_lost() -> str:
    """Say that the load is lost."""
    return "load lost"


@says(Code.HAPPENS_BANK_ENDS)
def happens_bank_ends() -> str:
    """Say that a bank is at its end."""
    return "bank ends"


@says(Code.HAPPENS_UNIT_DROPS_OUT)
def happens_unit_drops_out() -> str:
    """Say that a unit carries no more."""
    return "unit drops out"


@says(Code.HAPPENS_SHED)
def happens_shed() -> str:
    """Say that a load group is off."""
    return "shed"
