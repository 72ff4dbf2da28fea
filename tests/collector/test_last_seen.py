"""What was read while the clock stood ahead is no news after it was set back."""

from datetime import timedelta
from pathlib import Path

import pytest

from tests.collector.restarting import DARK, Collector
from tests.collector.snmp.cards import GOOD
from tests.rules.plants import NOON

YEAR = timedelta(days=365)


@pytest.mark.parametrize("folded", [False, True], ids=["fresh", "folded"])
async def test_an_outage_read_with_the_clock_a_year_ahead_does_not_come_back_at_every_restart(
    tmp_path: Path, folded: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("collector.history.due.WAITING_ROWS", 0)
    one = Collector(tmp_path)
    one.clock.at = one.clock.began = NOON + YEAR
    await one.start()
    await one.give(*(one.answer(unit, DARK) for unit in ("A1", "A2")))
    await one.kill()
    one.clock.at = one.clock.began = NOON  # the time service has set it right, and the mains is back
    await one.start()
    for _ in range(30):
        await one.give(*(one.answer(unit, GOOD) for unit in ("A1", "A2")))
        one.clock.at += timedelta(seconds=5)
    seen = len(one.told)
    if folded:
        await one.recorder._history.tend(NOON + YEAR + timedelta(days=2))
    await one.kill()
    await one.start()
    assert {u: r.on_battery for u, r in one.present.readings.items()} == {"A1": False, "A2": False}
    assert {r.at for r in one.present.readings.values()} == {one.clock.at - timedelta(seconds=5)}
    assert not any(m.on_battery for m in one.recorder.state.units.values())
    assert len(one.told) == seen
    await one.stack.aclose()
