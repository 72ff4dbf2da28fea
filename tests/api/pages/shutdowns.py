"""Invented shutdowns of the invented estate: examples, a signed one, one that runs, one that is over."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

from collector.read_model.sheet import Plans, PlanView, Sheet
from rules.planning.ridethrough.result import NOT_CHECKED, Ridethrough
from rules.planning.ridethrough.scenario import Scenario
from rules.planning.ridethrough.shutdown import STANDARD, Shutdown, way, with_set, without_set
from rules.planning.ridethrough.signed_course import PlanCourse, Spell, Status, compare
from rules.planning.ridethrough.signed_plan import AbortLimits, SignedPlan
from rules.planning.ridethrough.supply import MainsOut
from rules.system.state import HoldUp, OnBattery
from rules.values.reason import told
from rules.values.verdict import Basis, EndedBy, Verdict
from tests.api.pages import samples
from tests.api.pages.samples import NOW

ASSUMED = (
    told(
        "The load stands as given but for what the scenario adds or sheds; it may differ by 2 % as a whole."
    ),
    told("The generator starts at the last of its 3 tries."),
)
FOUR_HOURS = Scenario(
    (
        MainsOut(0.0, 7200.0, feed="main board A"),
        MainsOut(10_800.0, 3600.0, generator=False, feed="tie to board B"),
    )
)
BOARD = datetime(2026, 12, 12, 8, 0, tzinfo=NOW.tzinfo)


def carried(system: str, margin_s: float | None = 396.0) -> Ridethrough:
    """Return a scenario that is carried."""
    return Ridethrough(
        system,
        Verdict.ADEQUATE,
        (told("The load is carried through at the least."),),
        1.0,
        margin_s,
        HoldUp(None, None, None, None, Basis.TESTED),
        (),
        (),
        ASSUMED,
        NOT_CHECKED,
    )


def lost(system: str, low_s: float = 1031.0, high_s: float | None = 1140.0) -> Ridethrough:
    """Return a scenario in which the load is lost."""
    return replace(
        carried(system, -700.0),
        verdict=Verdict.INADEQUATE,
        because=(told("The load is lost 17 min after the start at the earliest."),),
        carried_share=0.0,
        hold_up=HoldUp(low_s, low_s + 50.0, high_s, EndedBy.BANK, Basis.TESTED),
    )


def untold(system: str) -> Ridethrough:
    """Return a scenario of which nothing can be told."""
    return replace(
        carried(system, None),
        verdict=Verdict.CANNOT_TELL,
        because=(told("Bank D has not been judged yet since the start."),),
        carried_share=None,
        hold_up=None,
    )


def played(
    system: str,
    with_it: Ridethrough | None,
    without_it: Ridethrough,
    scenario: Scenario = STANDARD,
    plan: str | None = None,
) -> Shutdown:
    """Return a shutdown played both ways."""
    plant = samples.estate()
    generator, units = plant.generator_of(system), plant.units_of(system)

    without = way(without_it, without_set(scenario), generator, units)
    with_ = None if with_it is None else way(with_it, with_set(scenario), generator, units)
    meant = {o.generator for o in scenario.outages}
    planned = with_ if meant == {True} else without
    if len(meant) > 1:
        planned = way(carried(system, 100.0), scenario, generator, units)
    return Shutdown(system, NOW - timedelta(seconds=40), scenario, planned or without, with_, without, plan)


def examples() -> dict[str, Shutdown]:
    """Return half an hour without mains for every system: carried with the generator, lost, not to be told."""
    return {
        "control": played("control", carried("control"), carried("control", 120.0)),
        "works": played("works", carried("works"), lost("works")),
        "depot": played("depot", None, untold("depot")),
    }


def signed(
    starts_at: datetime = BOARD, scenario: Scenario = FOUR_HOURS, note: str = "periodic test"
) -> SignedPlan:
    """Return a plan of the control centre."""
    plant = samples.estate()
    made = way(carried("control"), scenario, plant.generator_of("control"), plant.units_of("control"))
    return SignedPlan(
        "control",
        starts_at,
        scenario,
        made.result,
        made.stretches,
        ("A1", "A2"),
        11_200.0,
        "R. Haugen",
        NOW - timedelta(days=1),
        AbortLimits(margin_s=120.0),
        note=note,
    )


def last() -> PlanView:
    """Return a shutdown that is over, one thing of it missed."""
    at = NOW - timedelta(days=20)
    plan = signed(at, Scenario((MainsOut(0.0, 300.0, generator=False),)), "board test")
    end = at + timedelta(seconds=420)
    course = PlanCourse(
        Status.ENDED,
        at,
        end,
        end,
        (Spell(at + timedelta(seconds=12), end),),
        700.0,
        broken=("lasts_too_long",),
    )
    return PlanView("f00dcafe12345678", plan, course, compared=compare(plan, course))


def waiting() -> Sheet:
    """Return a bad day on which a shutdown is signed that would not be signed any more, and one is over."""
    view = PlanView(
        "0123456789abcdef",
        signed(),
        PlanCourse(),
        against=("The load is 13.0 kW; 11.2 kW were planned with.",),
    )
    shown = {
        **examples(),
        "control": played("control", carried("control"), lost("control"), FOUR_HOURS, view.id),
    }
    return replace(samples.short(), acts=True, shutdowns=shown, plans={"control": Plans((view,), last())})


def running(breach: str = "Only 90 s are to spare; 2.0 min were signed for.") -> Sheet:
    """Return a shutdown that runs since five minutes, on its banks, a criterion met."""
    begun = NOW - timedelta(minutes=5)
    scenario = Scenario((MainsOut(0.0, 900.0, generator=False),))
    course = PlanCourse(Status.RUNNING, begun, None, NOW, (Spell(begun),), 800.0)
    view = PlanView("0123456789abcdef", signed(begun, scenario), course, (breach,), ())
    ends = OnBattery(begun, NOW + timedelta(seconds=740), NOW + timedelta(seconds=900))
    sheet = samples.short()
    states = tuple(replace(s, on_battery=ends) if s.id == "control" else s for s in sheet.systems)
    shown = {
        **examples(),
        "control": played("control", carried("control"), carried("control"), scenario, view.id),
    }
    return replace(sheet, systems=states, acts=True, shutdowns=shown, plans={"control": Plans((view,))})


def hostile() -> Sheet:
    """Return a shutdown whose every free text tries to be markup."""
    bad = "<script>alert('q6')</script>\u202e"
    scenario = replace(FOUR_HOURS, outages=tuple(replace(o, feed=bad) for o in FOUR_HOURS.outages))
    plan = replace(signed(scenario=scenario, note=bad), signed_by=bad)
    view = PlanView("0123456789abcdef", plan, PlanCourse(), against=(bad,))
    shown = {"control": played("control", carried("control"), lost("control"), scenario, view.id)}
    return replace(samples.short(), acts=True, shutdowns=shown, plans={"control": Plans((view,), last())})


ALL = {
    "examples": lambda: replace(samples.short(), shutdowns=examples()),
    "waiting": waiting,
    "running": running,
    "q6 hostile": hostile,
}
