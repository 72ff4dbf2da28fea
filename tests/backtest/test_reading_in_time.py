"""Cards are read in time in the very moments that count: an outage, a storm of traps, a card that comes and goes.

`pytest -s tests/backtest/test_reading_in_time.py`; a minute. The schedule, the poller and who is late are tested with a
turned clock in the ordinary suite; here the seconds are real, and a busy machine adds to them.
"""

from __future__ import annotations

import re
import signal
import time
from pathlib import Path

import pytest

from collector.cards.polling.schedule import Cadence
from tests.collector.messaging.sinks import free_port
from tests.daemon import Daemon, daemon
from tests.trials.plant import Shape, plant

pytestmark = [pytest.mark.slow]

FAST_S = Cadence().on_battery_every_s
KNOCK_S = 2.0
"""How long a card is waited for that has not answered lately."""
MACHINE_S = 2.0
"""What a machine that many tests share may add."""
STOOD_STILL_S = 12.0
"""Over two periods at rest, and less than the three after which a unit counts as not read."""


def oldest_s(service: Daemon, *, but: str = "") -> float:
    """Return the age of the oldest last reading of any unit `but` one."""
    text = service.page("/metrics").decode()
    found = re.findall(r'^ridethrough_reading_age_s\{unit="([^"]+)"\} (\S+)', text, re.MULTILINE)
    return max(float(age) for unit, age in found if unit != but)


def test_traps_and_silences_in_an_outage_leave_no_unit_unread(tmp_path: Path) -> None:
    port = free_port()
    with plant(Shape(systems=1, units=3)) as it:
        estate = it.write_estate(tmp_path, f"[notifications]\nport = {port}\n")
        with daemon(estate, tmp_path / "data") as service:
            service.wait_for("/health/ready", lambda body: body["answering"] == 3, "all cards answer")
            it.to_battery(it.units)
            service.wait_for("/v1/systems/s0a", lambda body: body["on_battery"], "the outage is seen")
            first, *_, last = it.units
            it.faults([last], hang=True)
            before, began_s, ages = it.requests()[first], time.monotonic(), []
            for n in range(60):
                it.trap(first, count=1, to=("127.0.0.1", port))
                ages.append(oldest_s(service, but=last))
                time.sleep(max(0.0, began_s + (n + 1) * 0.1 - time.monotonic()))
            storm_s = time.monotonic() - began_s
            asked = it.requests()[first] - before
            unread = service.wait_for(
                f"/v1/units/{last}", lambda body: body["not_read"], "the hung card shows"
            )
            assert unread["why"] == "no_answer"
            assert service.get(f"/v1/units/{first}")[1]["not_read"] is None
            it.faults([last])
            back_s = time.monotonic()
            service.wait_for("/health/ready", lambda body: body["answering"] == 3, "the card is back")
            back_s = time.monotonic() - back_s
            unit = service.wait_for(
                f"/v1/units/{last}",
                lambda body: body if body["not_read"] is None else None,
                "it is read again",
            )
            assert (unit["read_every_s"], unit["age_s"] < 3 * FAST_S) == (FAST_S, True)
            while time.monotonic() < began_s + storm_s + 10.0:
                ages.append(oldest_s(service, but=last))
                time.sleep(0.25)
            assert not any(
                alarm["id"].startswith(("unit_not_read", "readings_wait"))
                for alarm in service.get("/v1/alarms")[1]["items"]
            )
    print(
        f"60 traps in {storm_s:.1f} s cost {asked} requests; oldest reading {max(ages):.1f} s; "
        f"a card that was hung was heard again after {back_s:.1f} s"
    )
    assert max(ages) <= FAST_S + MACHINE_S
    assert back_s <= KNOCK_S + FAST_S + MACHINE_S
    assert asked <= 4 * (storm_s / FAST_S + 3 + storm_s + 1), "at most four requests a poll"


def test_a_service_that_stood_still_calls_no_card_silent_and_tells_the_gap_as_its_own(tmp_path: Path) -> None:
    """As on a machine that is too busy, or asleep: the cards would have answered, and nobody asked."""
    with (
        plant(Shape(systems=1, units=2)) as it,
        daemon(it.write_estate(tmp_path), tmp_path / "data") as service,
    ):
        service.wait_for("/health/ready", lambda body: body["answering"] == 2, "all cards answer")
        service.process.send_signal(signal.SIGSTOP)
        time.sleep(STOOD_STILL_S)
        service.process.send_signal(signal.SIGCONT)
        began_s, whys = time.monotonic(), set[str]()
        while time.monotonic() < began_s + Cadence().every_s + KNOCK_S:
            for unit in it.units:
                if unread := service.get(f"/v1/units/{unit}")[1]["not_read"]:
                    whys.add(unread["why"])
            time.sleep(0.1)
        assert service.get("/health/ready")[1]["answering"] == 2
        alarms = [alarm["id"] for alarm in service.get("/v1/alarms")[1]["items"]]
        gaps = missed(service)
    print(
        f"stood still for {STOOD_STILL_S:g} s: {gaps:g} periods missed; told meanwhile: {whys or 'nothing'}"
    )
    assert "no_answer" not in whys
    assert not [alarm for alarm in alarms if alarm.startswith(("card_silent", "unit_not_read"))], alarms
    assert gaps >= len(it.units)


def missed(service: Daemon) -> float:
    """Return how many periods passed in which a card was not read, by the service's own account."""
    found = re.search(
        r"^ridethrough_polls_missed_count (\S+)", service.page("/metrics").decode(), re.MULTILINE
    )
    assert found
    return float(found[1])
