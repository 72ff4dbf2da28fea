"""Cards that contradict themselves are found whatever else they say; of an everyday card nothing need be looked at."""

from __future__ import annotations

from random import Random

from collector.cards.corrections.conflicts import _CHECKS, _everyday, conflicts
from collector.cards.mib.decode import decode
from collector.cards.mib.upsmib import ALARMS
from collector.cards.mib.wire_values import WireState
from rules.plant.reading import Stamp
from tests.collector.cards.sample_cards import GOOD
from tests.rules.sample_plants import NOON

SAID: dict[str, tuple[int, ...]] = {
    "upsOutputSource": (1, 2, 3, 3, 3, 4, 5),
    "upsSecondsOnBattery": (0, 0, 7, 90),
    "upsBatteryStatus": (1, 2, 2, 3, 4),
    "upsEstimatedChargeRemaining": (20, 100),
    "upsBatteryCurrent": (-50, 0, 300),
    "upsAlarmsPresent": (0, 0, 1, 2),
    "upsOutputNumLines": (1, 3, 3),
}
ROWS = ((), (), ("upsAlarmOnBattery",), ("upsAlarmUpsOutputOff",), ("upsAlarmFanFailure",) * 2)


def test_what_is_taken_for_everyday_is_at_odds_in_nothing_and_all_else_is_looked_at() -> None:
    chance, oids, everyday = Random(3), {name: oid for oid, name in ALARMS.items()}, 0
    for _ in range(2000):
        values = GOOD | {name: chance.choice(said) for name, said in SAID.items() if chance.random() < 0.4}
        for name in SAID:
            if chance.random() < 0.05:
                values.pop(name, None)
        rows = None if chance.random() < 0.1 else tuple(oids[name] for name in chance.choice(ROWS))
        state = WireState(values, alarms=rows)
        reading = decode("A1", Stamp(NOON, 1.0, "s"), state)
        found = tuple(doubt for check in _CHECKS if (doubt := check(reading, state)) is not None)
        assert conflicts(reading, state) == found
        everyday += _everyday(reading, state)
    assert 100 < everyday < 1900
