"""What strangers found of banks at the edges: cards over sockets, the service a process, defaults.

`pytest -s tests/backtest/test_edges_of_banks.py` takes some ten minutes. Four sites of two units: one whose banks were tested this
year and whose readings stay as they are, one whose tests lie long back, one that has an outage while a card's current is stuck, one
whose next test is due, though nothing is to be ordered.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from time import monotonic, sleep
from typing import Any

import pytest

from tests.backtest.test_edges import FAIR, say_load
from tests.backtest.test_import import discharge_log
from tests.daemon import Daemon, command, daemon, eventually
from tests.trials.plant import Plant, Shape, plant

STEADY, DUE, STUCK, YEARLY = range(4)
GAVE_MIN = 14.0
"""What the table of these banks says for the 15.3 kW of the log."""
WORN_MIN = 10.9
"""88 % of its table: under 90 % a bank is to be tested every year."""
ENDING_MIN = 8.6
"""Under 70 % of it, two years ago: such a bank is to be ordered, whatever has become of it."""
YEARLY_AGO = timedelta(days=375)
OUTAGE_S = 240.0
WATCHED_S = 300.0
INTERVAL = timedelta(days=730)
"""The longest between two tests of a bank where nobody declared it."""


@dataclass
class Look:
    """What was said at one moment of the systems, the banks and the alarms, by id."""

    systems: dict[str, Any]
    banks: dict[str, Any]
    alarms: dict[str, Any]


@dataclass
class Sites:
    """The service on its plant, and what it said while its readings stayed as they are."""

    service: Daemon
    cards: Plant
    estate: Path
    tested: dict[str, date]
    looks: list[Look] = field(default_factory=list)

    def look(self) -> None:
        parts = (self.service.get(f"/v1/{name}")[1]["items"] for name in ("systems", "banks", "alarms"))
        self.looks.append(Look(*({one["id"]: one for one in items} for items in parts)))

    def banks(self, site: int) -> list[str]:
        return [f"b-{unit}" for unit in self.cards.units_of(site)]


@pytest.fixture(scope="module")
def sites(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Sites]:
    """Import the tests, let an outage pass at the third site, then look for five minutes."""
    folder = tmp_path_factory.mktemp("edges-of-banks")
    today = datetime.now(UTC).date()
    with ExitStack() as stack:
        cards = stack.enter_context(plant(Shape(sites=4, systems=1, units=2)))
        say_load(cards, cards.units, FAIR)
        estate = cards.write_estate(folder)
        service = stack.enter_context(daemon(estate, folder / "data"))
        steady, due, stuck, yearly = (cards.units_of(site) for site in (STEADY, DUE, STUCK, YEARLY))
        tested = dict.fromkeys((f"b-{unit}" for unit in steady), today - timedelta(days=250))
        tested |= {
            f"b-{due[0]}": today - INTERVAL - timedelta(days=20),
            f"b-{due[1]}": today - timedelta(days=870),
        }
        tested |= dict.fromkeys((f"b-{unit}" for unit in yearly), today - YEARLY_AGO)
        for bank, day in tested.items():
            gave = {**dict.fromkeys(due, ENDING_MIN), **dict.fromkeys(yearly, WORN_MIN)}.get(
                bank[2:], GAVE_MIN
            )
            service.wait_for(f"/v1/banks/{bank}", lambda b: b["unproven"], "a first judgement", 300.0)
            log = discharge_log(folder / f"{bank}.csv", gave)
            done = command(
                "import", "discharge", str(log), "--bank", bank, "--at", f"{day}T09:00:00Z", "--by", "R. Haugen",
                "--estate", str(estate), "--data", str(folder / "data"),
            )  # fmt: skip
            assert done.returncode == 0, done.stderr
        cards.say(stuck[:1], upsBatteryCurrent=0)
        cards.to_battery(stuck)
        sleep(OUTAGE_S)
        cards.to_mains(stuck)
        seen = Sites(service, cards, estate, tested)
        for bank in seen.banks(STUCK):
            service.wait_for(f"/v1/banks/{bank}", lambda b: b["discharges"], "the outage is judged", 300.0)
        for bank in tested:
            service.wait_for(f"/v1/banks/{bank}", lambda b: not b["unproven"], "its test is judged", 300.0)
        # what is asked of a bank is known once its system is judged anew, and a warning of it waits two minutes
        sleep(180.0)
        end = monotonic() + WATCHED_S
        while monotonic() < end:
            seen.look()
            sleep(5.0)
        yield seen


def test_with_readings_that_stay_no_verdict_flips_and_no_date_moves(sites: Sites) -> None:
    systems = [look.systems[f"s{STEADY}a"] for look in sites.looks]
    assert {tuple(need["verdict"] for need in one["requirements"]) for one in systems} == {("adequate",)}
    assert {one["redundancy"]["verdict"] for one in systems} == {"adequate"}
    for held in ("now", "one_unit_lost"):
        lows = [one["hold_up"][held]["low_s"] for one in systems]
        assert max(lows) < 1.02 * min(lows), "the load moves by 1 %, and nothing else"
    for bank in sites.banks(STEADY):
        dates = {tuple(sorted(look.banks[bank]["dates"].items(), key=str)).__repr__() for look in sites.looks}
        assert len(dates) == 1
        assert len({look.banks[bank]["tests"]["due"] for look in sites.looks}) == 1


def test_the_data_folder_says_what_the_service_says_and_a_plan_says_no_other_thing(sites: Sites) -> None:
    state = sites.looks[-1].systems[f"s{STEADY}a"]
    plan = command("plan", str(sites.estate), "--system", f"s{STEADY}a", "--data", str(sites.service.data))
    assert state["requirements"][0]["verdict"] == "adequate"
    assert plan.returncode == 0, plan.stdout + plan.stderr


def test_no_test_is_asked_of_a_bank_that_is_to_be_ordered_and_its_day_is_one_of_what_was_known_then(
    sites: Sites,
) -> None:
    last, today = sites.looks[-1], datetime.now(UTC).date()
    for bank in sites.banks(DUE):
        assert f"bank_order_now:{bank}" in last.alarms
        due = date.fromisoformat(last.banks[bank]["tests"]["due"])
        assert sites.tested[bank] + timedelta(days=365) <= due <= today
    renewed = set(sites.banks(DUE))
    assert not {
        n
        for look in sites.looks
        for n in look.alarms
        if n.startswith("bank_test_due") and n.split(":")[1] in renewed
    }


def test_a_test_that_is_due_is_one_warning_from_the_day_on_which_what_was_known_then_made_it_due(
    sites: Sites,
) -> None:
    """Tested 375 days ago at 88 %: due a year after that, not when the bank was new, and not once more in other words."""
    for bank in sites.banks(YEARLY):
        due = sites.tested[bank] + timedelta(days=365)
        for look in sites.looks:
            tests = look.banks[bank]["tests"]
            assert date.fromisoformat(tests["due"]) == due
            assert look.banks[bank]["dates"]["order_by"] > str(datetime.now(UTC).date())
        said = [
            a
            for a in sites.looks[-1].alarms.values()
            if bank in a["id"] and a["id"].startswith("bank_test") and a["state"].startswith("active")
        ]
        assert [(a["id"].split(":")[0], a["severity"]) for a in said] == [("bank_test_due", "warning")], said
        assert f"{due.day} {due:%b %Y}" in said[0]["what"]


def test_a_current_that_is_stuck_at_none_makes_no_bank_better_or_worse_than_its_like_for_sure(
    sites: Sites,
) -> None:
    stuck, fair = (sites.looks[-1].banks[bank]["discharges"][0] for bank in sites.banks(STUCK))
    assert stuck["kind"] == fair["kind"] == "outage"
    assert stuck["high"] - stuck["low"] >= 0.2, "a fifth of it was drawn"
    assert stuck["low"] < fair["high"]
    assert fair["low"] < stuck["high"]
    assert stuck["low"] <= fair["capacity_fraction"] <= stuck["high"]


def test_nothing_here_waits_for_ever(sites: Sites) -> None:
    assert len(sites.looks) > 20
    eventually(lambda: sites.service.get("/health/ready")[1]["answering"] == 8, "all answer at the end")
