"""What is said of a signed shutdown: its stretches on the banks, and in the journal from its signing to its end."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from rules.phrasing.figures import listed
from rules.phrasing.reasons import say
from rules.phrasing.text import at_least, lasted
from rules.planning.ridethrough.shutdown import lasts_s
from rules.planning.ridethrough.signed_course import Compared, PlanCourse
from rules.planning.ridethrough.signed_plan import SignedPlan
from rules.planning.ridethrough.supply import OnBanks, SupplyChange

WHY: Final = {
    SupplyChange.MAINS_LOST: "mains switched off",
    SupplyChange.RETRANSFER: "back from the generator to the mains",
    SupplyChange.FUEL_OUT: "fuel is out",
}
ENDS: Final = {
    SupplyChange.MAINS_BACK: "the mains carries",
    SupplyChange.SET_CARRIES: "the generator carries",
    SupplyChange.MAINS_CARRIES: "the mains carries",
}


def stretch_words(plan: SignedPlan, stretch: OnBanks) -> str:
    """Return why a plan puts the load on the banks, and what takes it from them."""
    feeds = [o.feed for o in plan.scenario.outages if o.feed and stretch.from_s <= o.from_s < stretch.until_s]
    why = f"feed {listed(feeds)} off" if feeds else WHY.get(stretch.began, str(stretch.began))
    return f"{why}, until {ENDS.get(stretch.ended, str(stretch.ended))}" if stretch.ended else why


def signed_words(plan: SignedPlan, name: str) -> str:
    """Return that a plan was signed: by whom, for how long, with how much to spare, and why."""
    margin_s = plan.result.margin_s
    spare = "" if margin_s is None else f", {at_least(margin_s)} to spare at the least"
    why = f" Why: {plan.note.rstrip('.')}." if plan.note else ""
    return (
        f"{plan.signed_by} signed a planned shutdown of {name}: mains back {lasted(lasts_s(plan.scenario))} after "
        f"its start, {plan.load_w / 1e3:.1f} kW to carry{spare}.{why}"
    )


def begun_words(plan: SignedPlan, name: str) -> str:
    """Return that a plan begins."""
    return f"The planned shutdown of {name} begins, as signed by {plan.signed_by}."


def withdrawn_words(course: PlanCourse, name: str) -> str:
    """Return that a plan was withdrawn: by whom, before or after its start, and why."""
    when = "before its start" if course.began_at is None else "while it ran"
    why = f": {course.why.rstrip('.')}" if course.why else ""
    return f"{course.by} withdrew the planned shutdown of {name} {when}{why}."


def ended_words(rows: Sequence[Compared], name: str) -> str:
    """Return that a plan is over, and what of it did not come as foretold."""
    missed = [
        f"{say(row.what)}: foretold {say(row.foretold)}, happened {say(row.happened)}"
        for row in rows
        if row.inside is False
    ]
    said = f"not as foretold: {'; '.join(missed)}" if missed else "what was put to the test came as foretold"
    return f"The planned shutdown of {name} is over; {said}."
