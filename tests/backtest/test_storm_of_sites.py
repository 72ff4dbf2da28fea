"""Every site of a large estate loses its mains within three seconds and gets it back: `ridethrough run` as a process.

    STORM_UNITS=1000 pytest -s tests/backtest/test_storm_of_sites.py        # 100 where nothing is said

Systems of two with a load group each to shed and banks that were tested, ten units and one supply a site, settings as they come. Held to: every supply told by its
name within 10 s of the last site's loss; no reading older than two periods of those on battery, from one period at rest
after the loss on; of every system when it ends and what to shed within 15 s; every system and every incident back; and each message of
the outbox at the web address once. What is asked of the service meanwhile, it pays for as it would for a reader.
"""

from __future__ import annotations

import asyncio
import os
import re
import signal
import sqlite3
import time
from collections import Counter
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final

from collector.assessment.shown_discharges import SHOWN
from collector.configuration import load
from collector.messaging.channels.webhook import event_id
from collector.simulation.scenario.random_systems import FullTest
from collector.storage.data_folder import LEDGER_FILE
from collector.storage.ledger import Ledger
from collector.storage.ledger.records import Evidence
from rules.plant.estate import Estate
from rules.values.serial import to_plain
from tests.daemon import Daemon, daemon, eventually
from tests.trials.cost import cpu_s
from tests.trials.people import Desk, desk
from tests.trials.plant import Plant, Shape, plant
from tests.trials.played import shown_by

UNITS: Final = int(os.environ.get("STORM_UNITS", "100"))
SETTLE_S: Final = float(os.environ.get("STORM_SETTLE_S", "60"))
UNITS_A_SITE: Final = 10
LOST_WITHIN_S: Final = 3.0
WAVES: Final = 10
AT_REST_S: Final = 5.0
ON_BATTERY_S: Final = 2.0
TOLD_WITHIN_S: Final = 10.0
ADVISED_WITHIN_S: Final = 15.0
STORM_S: Final = 60.0
PATIENCE_S: Final = 1800.0
CARRIED_W: Final = 15_300.0
LASTED_S: Final = 780.0
RATED_W: Final = 27_000.0


def groups(shape: Shape) -> str:
    """Return a load group for each system, as TOML."""
    return "".join(
        f'[[load_group]]\nid = "g-{name}"\nsystem = "{name}"\nwatts = [1500, 1500, 1500]\nimportance = 5\n'
        for site, systems in enumerate(shape.names())
        for name in (f"s{site}{chr(97 + number)}" for number in range(len(systems)))
    )


async def past_tests(estate: Estate, data: Path) -> None:
    """Put a past test of every bank to its end into the ledger of a data folder."""
    at = datetime.now(UTC) - timedelta(days=120)
    async with Ledger(data / LEDGER_FILE) as ledger, ledger.transaction() as tx:
        for bank in estate.banks.values():
            test = FullTest(at, CARRIED_W, LASTED_S)
            shown = shown_by(test, bank, RATED_W, 22.0)
            until = at + timedelta(seconds=LASTED_S)
            tx.save_evidence(
                Evidence(
                    id=f"past {bank.id}",
                    bank=bank.id,
                    kind="import",
                    at=at,
                    until=until,
                    schema=SHOWN,
                    body=to_plain(shown),
                )
            )


def supplies_in(event: dict[str, Any]) -> set[str]:
    """Return the sites that a message says are on their banks, in its headline or in a line of its own.

    A joint headline says "On battery" where of one of its sites not every unit was seen to have lost the supply.
    """
    data = event["data"]
    if re.match(r"(Mains lost|On battery) at \d+ sites", data["what"]):
        return {f"s{found[1]}" for line in data["details"] if (found := re.match(r"Site (\d+)\b", line))}
    return {str(data["site"])} if data["what"].startswith("Mains lost at Site ") else set()


@dataclass
class Seen:
    """When each thing was first seen, s since the first site's loss; and ages of the oldest reading, by the time of asking."""

    told: dict[str, float] = field(default_factory=dict)
    ends: dict[str, float] = field(default_factory=dict)
    sheds: dict[str, float] = field(default_factory=dict)
    ages: list[tuple[float, float]] = field(default_factory=list)

    def look(self, service: Daemon, night: Desk, began_s: float, before: int) -> None:
        """Note what is new."""
        for at_s, event in night.told()[before:]:
            for site in supplies_in(event):
                self.told.setdefault(site, at_s - began_s)
        now_s = time.monotonic() - began_s
        text = service.page("/metrics").decode()
        found = re.findall(r'^ridethrough_reading_age_s\{unit="[^"]+"\} (\S+)', text, re.MULTILINE)
        self.ages.append((now_s, max(map(float, found))))
        status, systems = service.get("/v1/systems")
        now_s = time.monotonic() - began_s
        for system in systems["items"] if status == 200 else ():
            lit = system["on_battery"]
            if lit and lit["ends_earliest"]:
                self.ends.setdefault(system["id"], now_s)
            if lit and lit["shed"]:
                self.sheds.setdefault(system["id"], now_s)


def by_wave(it: Plant, what: Any) -> float:
    """Do something to every site within three seconds, a wave at a time; return the second of the first."""
    began_s = time.monotonic()
    sites = list(range(it.shape.sites))
    for wave in range(WAVES):
        time.sleep(max(0.0, began_s + wave * LOST_WITHIN_S / WAVES - time.monotonic()))
        units = [unit for site in sites[wave::WAVES] for unit in it.units_of(site)]
        if units:
            what(units)
    return began_s


def known(systems: Sequence[dict[str, Any]]) -> int:
    """Return how many systems are told how long they hold at the least."""
    return sum(system["hold_up"]["now"]["low_s"] is not None for system in systems)


def quantiles(times: dict[str, float]) -> str:
    """Return how many, the median and the last, as text."""
    found = sorted(times.values())
    return (
        f"{len(found)}: half by {found[len(found) // 2]:.1f} s, all by {found[-1]:.1f} s" if found else "none"
    )


def test_all_sites_lose_their_mains_at_once_and_get_it_back(tmp_path: Path) -> None:
    shape = Shape(sites=max(1, UNITS // UNITS_A_SITE), systems=UNITS_A_SITE // 2, units=2)
    systems = shape.sites * shape.systems
    with plant(shape) as it, desk() as night:
        estate = it.write_estate(tmp_path, night.toml(tmp_path) + groups(shape))
        (tmp_path / "data").mkdir(mode=0o700)
        asyncio.run(past_tests(load(estate).estate, tmp_path / "data"))
        with daemon(estate, tmp_path / "data") as service:
            began_s = time.monotonic()
            service.wait_for(
                "/v1/systems", lambda b: known(b["items"]) == systems, "all banks are judged", PATIENCE_S
            )
            print(f"\nall banks are judged {time.monotonic() - began_s:.0f} s after the start")
            time.sleep(SETTLE_S)
            seen, before, spent = Seen(), len(night.told()), cpu_s(service.process.pid)
            began_s = by_wave(it, it.to_battery)
            while time.monotonic() < began_s + STORM_S:
                seen.look(service, night, began_s, before)
                time.sleep(1.0)
            spent = (cpu_s(service.process.pid) - spent) / (time.monotonic() - began_s)
            back_s = by_wave(it, it.to_mains)

            def all_back() -> bool:
                status, body = service.get("/v1/systems")
                return status == 200 and not any(s["on_battery"] for s in body["items"])

            eventually(all_back, "every system is back", PATIENCE_S)
            back_s = time.monotonic() - back_s
            eventually(lambda: not waiting(tmp_path / "data"), "the outbox is empty", PATIENCE_S)
            time.sleep(5.0)
            code, _ = service.end(signal.SIGTERM)
        came = Counter(night.ids())
        sent = outbox(tmp_path / "data")
    late = [age for at_s, age in seen.ages if at_s >= LOST_WITHIN_S + AT_REST_S + ON_BATTERY_S]
    print(
        f"\n{len(it.units)} units: supplies told {quantiles(seen.told)}; ends {quantiles(seen.ends)}; "
        f"what to shed {quantiles(seen.sheds)}; oldest reading {max(late):.1f} s; back after {back_s:.1f} s; "
        f"{len(came)} messages for {len(sent)} lines of the outbox; {100 * spent:.0f} % of a core with the judging process"
    )
    assert code == 0
    assert set(seen.told) == {f"s{site}" for site in range(shape.sites)}
    assert len(seen.ends) == systems
    assert len(seen.sheds) == systems
    assert [name for name, count in came.items() if count > 1] == []
    assert sent - set(came) == set(), "nothing was lost"
    assert set(came) - sent == set(), "nothing came that nobody wrote"
    assert max(seen.told.values()) <= LOST_WITHIN_S + TOLD_WITHIN_S
    assert max(late) <= 2 * ON_BATTERY_S
    assert max(seen.ends.values()) <= LOST_WITHIN_S + ADVISED_WITHIN_S
    assert max(seen.sheds.values()) <= LOST_WITHIN_S + ADVISED_WITHIN_S


def waiting(data: Path) -> int:
    """Return how many messages wait to be sent."""
    with closing(sqlite3.connect(f"file:{data / 'ledger.sqlite'}?mode=ro", uri=True)) as file:
        return int(file.execute("SELECT count(*) FROM outbox WHERE sending = 'waiting'").fetchone()[0])


def outbox(data: Path) -> set[str]:
    """Return the ids under which what the outbox says was sent must have come."""
    with closing(sqlite3.connect(f"file:{data / 'ledger.sqlite'}?mode=ro", uri=True)) as file:
        rows = file.execute("SELECT id, result FROM outbox WHERE sending = 'sent'").fetchall()
    found = set()
    for name, result in rows:
        _, held, rest = str(result).partition(" in summary ")
        found.add(event_id(rest.split(": ")[0] if held else name))
    return found
