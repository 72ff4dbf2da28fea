"""What is said of a system: needs, spares, what sets its units apart, work on it (`rules.alarms.conditions`)."""

from __future__ import annotations

from rules.phrasing.dates import PURPOSES
from rules.phrasing.figures import banks_named
from rules.phrasing.says import Sentence, says
from rules.phrasing.text import at_least, at_most, kilowatts, listed
from rules.plant.estate import Purpose
from rules.values.advice import Advice
from rules.values.code import Code


def _and_why(rest: str, because: tuple[str, ...]) -> str:
    return f"{rest} {listed(because)}" if because else rest


@says(Code.BANKS_UNPROVEN)
def banks_unproven(*, name: str, banks: tuple[str, ...]) -> str:
    """Say of which banks nothing was seen yet."""
    return f"No discharge of {banks_named(banks)} tells enough yet: how long {name} holds, and when to renew, cannot be told."


@says(Code.BANKS_BEING_PROVEN)
def banks_being_proven(*, name: str) -> str:
    """Say that the banks show now what was not known of them."""
    return f"No discharge of the banks of {name} had been judged before this one: how long it holds is reckoned from what they show now."


@says(Code.REQUIREMENT_MARGIN)
def requirement_margin(
    *, name: str, purpose: str, required_s: float, held_s: float, lost: str | None
) -> Sentence:
    """Say what is needed and what it holds, in s; `lost`: with which unit lost."""
    gone = f" with unit {lost} lost" if lost else ""
    needs = f"needs {at_most(required_s)} for {PURPOSES[Purpose(purpose)]}"
    return Sentence(name, f"{needs}, holds {at_least(held_s)} at the least{gone}.")


@says(Code.REQUIREMENT_WHY)
def requirement_why(*, name: str, because: str) -> str:
    """Say why a need is not met or not known."""
    return f"{name}: {because}"


@says(Code.REQUIREMENT_UNKNOWN)
def requirement_unknown(*, name: str, purpose: str, because: tuple[str, ...]) -> str:
    """Say that it cannot be told whether a need is met."""
    return _and_why(f"Whether {name} holds for {PURPOSES[Purpose(purpose)]} cannot be told.", because)


@says(Code.SPARE_GONE)
def spare_gone(*, name: str, because: tuple[str, ...]) -> Sentence:
    """Say that no unit can be spared."""
    return Sentence(name, _and_why("cannot spare a unit.", because))


@says(Code.SPARE_GONE_ON_LINE)
def spare_gone_on_line(*, name: str, line: int, limit: str, over: float, peak: bool) -> str:
    """Say by how much a line asks more than is left with the spare gone: W or VA, as `limit` ("w", "va") says."""
    words, unit = ("volt-amperes", "kVA") if limit == "va" else ("watts", "kW")
    digits = 2 if over < 10_000 else 1
    how = f"{words}{', at its 30-day peak' if peak else ''}"
    return (
        f"Line {line} of {name} asks {over / 1000:.{digits}f} {unit} more than the units left can carry with the spare "
        f"gone ({how})."
    )


@says(Code.SPARE_UNKNOWN)
def spare_unknown(*, name: str, because: tuple[str, ...]) -> str:
    """Say that it cannot be told whether a unit can be spared."""
    return _and_why(f"Whether {name} can spare a unit cannot be told.", because)


@says(Code.PHASES_APART)
def phases_apart(*, name: str, line: int, power_w: float, excess_fraction: float) -> str:
    """Say which line carries most, and by how much over the mean."""
    over = f"{100 * excess_fraction:.0f} % over the mean of its lines"
    return f"Line {line} of {name} carries {kilowatts(power_w)}, {over}."


@says(Code.UNITS_DIFFER)
def units_differ(*, name: str, findings: tuple[str, ...], more: int) -> str:
    """Say what sets units of a system apart, and how much more of it there is."""
    rest = f" And {more} more." if more > 0 else ""
    return f"{name}: {' '.join(findings)}{rest}"


@says(Code.PARTNER_NOT_TAKEN)
def partner_not_taken(*, name: str, because: tuple[str, ...]) -> Sentence:
    """Say that a system could not take its partner's load."""
    return Sentence(name, " ".join(("could not take its partner's load.", *because)))


# ---- work and planned shutdowns ------------------------------------------------------------------------------


@says(Code.WORK_UNEXPECTED)
def work_unexpected(about: str, *, system: str, because: tuple[str, ...]) -> str:
    """Say what work does not explain; `system`: its name, empty where it is known from beside."""
    where = f" ({system})" if system else ""
    return f"During work on unit {about}{where}: {' '.join(because)}"


@says(Code.WORK_OVERDUE)
def work_overdue(about: str, *, because: str) -> str:
    """Say that the time for work has passed, with how its unit stands."""
    return f"The time for work on unit {about} has passed. {because}"


@says(Code.PLAN_TO_BREAK_OFF)
def plan_to_break_off(*, name: str, because: str) -> str:
    """Say which abort criterion is met."""
    return f"Planned shutdown of {name}: {because}"


@says(Code.PLAN_NO_LONGER_HOLDS)
def plan_no_longer_holds(*, name: str, because: tuple[str, ...]) -> str:
    """Say why a shutdown would not be signed now."""
    return " ".join((f"The planned shutdown of {name} would not be signed as things stand now.", *because))


@says(Code.DO_RESTORE_ENDS_TOO_EARLY)
def do_restore_ends_too_early() -> Advice:
    """Say what to do where the banks may end before the plan does."""
    return Advice("Break off", ": restore the mains now; until it is back, shed what can be spared.")


@says(Code.DO_RESTORE_LASTS_TOO_LONG)
def do_restore_lasts_too_long() -> Advice:
    """Say what to do where supply is not back as planned."""
    return Advice("Break off", ": restore the mains now, or start the generator by hand.")


@says(Code.DO_RESTORE_MARGIN_GONE)
def do_restore_margin_gone() -> Advice:
    """Say what to do where less is to spare than was signed for."""
    return Advice("Break off", ": restore the mains while there is time to spare.")


@says(Code.DO_RESTORE_LOAD_ABOVE_PLAN)
def do_restore_load_above_plan() -> Advice:
    """Say what to do where more is asked than was signed for."""
    return Advice("Break off", ": restore the mains, or take off at once what was added.")


@says(Code.DO_RESTORE_UNIT_MISSING)
def do_restore_unit_missing() -> Advice:
    """Say what to do where a unit left."""
    return Advice("Break off", ": restore the mains; then see why the unit left.")


@says(Code.DO_RESTORE_NOT_SEEN)
def do_restore_not_seen() -> Advice:
    """Say what to do where nothing is seen."""
    return Advice("Break off", ": restore the mains, unless somebody stands at the units and reads them.")
