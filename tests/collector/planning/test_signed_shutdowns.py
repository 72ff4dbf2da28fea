"""A signed shutdown from its signing to the comparison afterwards, through the recorder, on simulated time."""

from __future__ import annotations

import sqlite3
from datetime import timedelta
from pathlib import Path

import pytest

from collector.planning.signed_shutdowns import FURTHEST, NotSigned
from collector.process.clock import TurnedClock
from rules.alarms.lifecycle.states import State
from rules.phrasing.reasons import say
from rules.planning.ridethrough.scenario import Scenario
from rules.planning.ridethrough.signed_course import Status
from rules.planning.ridethrough.signed_plan import AbortLimits
from rules.planning.ridethrough.supply import MainsOut
from tests.collector.signing import site
from tests.rules.sample_plants import NOON

SHORT = Scenario((MainsOut(0.0, 300.0, generator=False),))  # five minutes off, the generator isolated
SOON = NOON + timedelta(seconds=120)
FOR_HOURS = Scenario((MainsOut(0.0, 6 * 3600.0, generator=False),))


async def test_what_is_signed_is_kept_with_who_and_why_and_survives_a_restart(tmp_path: Path) -> None:
    async with site(tmp_path) as here:
        signed = await here.plans.sign("A", SHORT, SOON, by="R. Haugen", note="test of the main board")
        assert signed.plan.result.verdict.value == "adequate"
        assert signed.plan.counted_on == ("A1", "A2")
        assert signed.plan.load_w == pytest.approx(18_000.0)
        actions = await here.ledger.actions(about="A")
        assert [(a.who, a.what, a.why) for a in actions.items] == [
            ("R. Haugen", "sign_plan", "test of the main board")
        ]
        assert "plan_signed" in await here.journal()
    async with site(tmp_path) as again:
        assert again.plans.get(signed.id) is not None
        assert again.plans.next_of("A") == again.plans.get(signed.id)
        assert again.plans.of("A")[0].plan == signed.plan
        assert again.plans.of("A")[0].plan.digest == signed.id


async def test_what_cannot_be_carried_is_not_signed_and_the_reason_is_said(tmp_path: Path) -> None:
    async with site(tmp_path) as here:
        with pytest.raises(NotSigned, match="load is lost"):
            await here.plans.sign("A", FOR_HOURS, SOON, by="x")
        with pytest.raises(NotSigned, match="that ends"):
            await here.plans.sign("A", Scenario(), SOON, by="x")
        for when in (NOON, NOON + FURTHEST + timedelta(seconds=1)):
            with pytest.raises(ValueError, match="to come"):
                await here.plans.sign("A", SHORT, when, by="x")
        assert here.plans.of("A") == ()
        assert await here.ledger.signed() == ()


async def test_two_shutdowns_of_a_system_never_overlap_and_a_withdrawn_one_is_out_of_the_way(
    tmp_path: Path,
) -> None:
    async with site(tmp_path) as here:
        first = await here.plans.sign("A", SHORT, SOON, by="R. Haugen")
        with pytest.raises(NotSigned, match="overlaps"):
            await here.plans.sign("A", SHORT, SOON + timedelta(seconds=200), by="M. Okafor")
        gone = await here.plans.withdraw(first.id, by="M. Okafor", note="storm warning")
        assert (gone.course.status, gone.course.by, gone.course.why) == (
            Status.WITHDRAWN,
            "M. Okafor",
            "storm warning",
        )
        assert here.plans.windows() == ()
        with pytest.raises(NotSigned, match="over already"):
            await here.plans.withdraw(first.id, by="x")
        await here.plans.sign("A", SHORT, SOON + timedelta(seconds=200), by="M. Okafor")
        lines = (await here.ledger.events(after=0)).items
        assert any("storm warning" in line.text for line in lines if line.kind == "plan_withdrawn")


async def test_a_shutdown_as_planned_tells_nobody_and_is_compared_afterwards(tmp_path: Path) -> None:
    async with site(tmp_path) as here:
        signed = await here.plans.sign("A", SHORT, SOON, by="R. Haugen")
        await here.run_for(120.0)
        here.mains = False
        await here.run_for(240.0)
        now = here.plans.get(signed.id)
        assert now is not None
        assert now.course.status is Status.RUNNING
        assert here.standing() == set()
        assert here.present.alarms["on_battery:A1"].state is State.SUPPRESSED_BY_DESIGN
        here.mains = True
        await here.run_for(180.0)
        over = here.plans.last_of("A")
        assert over is not None
        rows = {say(row.what): row.inside for row in over.compared}
        assert rows == {"load": True, "stretch 1 on the banks": True, "left at the tightest moment": True}
        assert here.plans.next_of("A") is None
        story = [k for k in await here.journal() if k.startswith("plan_")]
        assert story == ["plan_signed", "plan_begins", "plan_ended"]
        kept = (await here.ledger.signed())[0][1]
        assert kept is not None
        assert kept.open is False
        assert not any(a.kind == "break_off" for a in here.present.alarms.values())


async def test_load_added_while_it_runs_says_break_off_and_clears_when_it_is_taken_off(
    tmp_path: Path,
) -> None:
    async with site(tmp_path) as here:
        await here.plans.sign("A", SHORT, SOON, by="R. Haugen")
        await here.run_for(120.0)
        here.mains = False
        await here.run_for(60.0)
        here.watts = 3400.0  # 13 % over the plan, 10 % were signed for
        await here.run_for(20.0)
        assert here.standing() == {"break_off:A:load_above_plan"}
        alarm = here.present.alarms["break_off:A:load_above_plan"]
        assert "20.4 kW" in say(alarm.what)
        assert say(alarm.do).startswith("Break off: ")
        here.watts = 3000.0
        await here.run_for(60.0)
        assert not here.present.alarms["break_off:A:load_above_plan"].state.active
        kept = here.plans.next_of("A")
        assert kept is not None
        assert kept.course.broken == ("load_above_plan",)


async def test_mains_that_stays_away_is_told_as_the_plan_and_as_itself(tmp_path: Path) -> None:
    async with site(tmp_path) as here:
        await here.plans.sign("A", SHORT, SOON, by="R. Haugen", limits=AbortLimits(overrun_s=20.0))
        await here.run_for(120.0)
        here.mains = False
        await here.run_for(350.0)
        assert here.standing() == set()
        await here.run_for(60.0)
        assert "break_off:A:lasts_too_long" in here.standing()
        assert "on_battery:A1" in here.standing()
        here.mains = True
        await here.run_for(60.0)
        over = here.plans.last_of("A")
        assert over is not None
        assert next(r.inside for r in over.compared if say(r.what).startswith("stretch")) is False


async def test_a_restart_in_the_middle_goes_on_and_says_how_long_nobody_watched(tmp_path: Path) -> None:
    clock = TurnedClock(NOON)
    async with site(tmp_path, clock) as here:
        signed = await here.plans.sign("A", SHORT, SOON, by="R. Haugen")
        await here.run_for(120.0)
        here.mains = False
        await here.run_for(60.0)
    await clock.advance(120.0)  # the machine was off
    async with site(tmp_path, clock) as again:
        kept = again.plans.get(signed.id)
        assert kept is not None
        assert kept.course.status is Status.RUNNING
        again.mains = False
        await again.run_for(60.0)
        again.mains = True
        await again.run_for(120.0)
        over = again.plans.last_of("A")
        assert over is not None
        rows = {say(row.what): row for row in over.compared}
        assert rows["load"].inside is None
        assert rows["watched"].inside is False
        assert over.course.unseen_s == pytest.approx(120.0, abs=31.0)  # kept every half minute


async def test_a_plan_over_while_the_machine_was_off_claims_nothing(tmp_path: Path) -> None:
    clock = TurnedClock(NOON)
    async with site(tmp_path, clock) as here:
        await here.plans.sign("A", SHORT, SOON, by="R. Haugen")
    await clock.advance(3600.0)
    async with site(tmp_path, clock) as again:
        over = again.plans.last_of("A")
        assert over is not None
        assert {say(row.what): row.inside for row in over.compared} == {
            "load": None,
            "stretch 1 on the banks": None,
            "left at the tightest moment": None,
            "watched": False,
        }
        story = [k for k in await again.journal() if k.startswith("plan_")]
        assert story == ["plan_signed", "plan_begins", "plan_ended"]


async def test_a_plan_that_no_longer_holds_is_told_shortly_before_its_start_not_days_ahead(
    tmp_path: Path,
) -> None:
    later = NOON + timedelta(hours=6)
    async with site(tmp_path) as here:
        signed = await here.plans.sign("A", SHORT, later, by="R. Haugen")
        here.watts = 3400.0
        await here.read()
        here.plans.replayed(signed.id, (await here.planner.ridethrough("A", SHORT)))
        await here.run_for(60.0)
        kept = here.plans.get(signed.id)
        assert kept is not None
        assert kept.against
        assert "plan_no_longer_holds:A" not in here.standing()
        await here.clock.advance(2.5 * 3600.0)
        await here.run_for(60.0)
        assert "plan_no_longer_holds:A" in here.standing()
        assert here.present.alarms["plan_no_longer_holds:A"].by_when == later
        await here.plans.withdraw(signed.id, by="R. Haugen")
        await here.run_for(120.0)
        assert not here.present.alarms["plan_no_longer_holds:A"].state.active


async def test_a_plan_changed_on_the_disk_is_not_followed_and_that_is_said(tmp_path: Path) -> None:
    async with site(tmp_path) as here:
        signed = await here.plans.sign("A", SHORT, SOON, by="R. Haugen")
    connection = sqlite3.connect(tmp_path / "ledger.sqlite")
    connection.execute(
        "UPDATE signed_plans SET body = replace(body, '\"overrun_s\":30.0', '\"overrun_s\":3000.0')"
    )
    connection.commit()
    connection.close()
    async with site(tmp_path) as again:
        assert again.plans.get(signed.id) is None
        assert again.plans.windows() == ()
        assert "plan_damaged" in await again.journal()
