"""What is made of the values that moved is what is made of all of them: state, learning, reading, doubts and their order."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from itertools import count
from random import Random

import pytest

from collector.cards.corrections.knowledge import CardKnowledge
from collector.cards.mib import decode as decoding
from collector.cards.mib.moved import again
from collector.cards.mib.upsmib import BY_NAME, TablePart
from collector.cards.mib.wire_values import CardRead, WireState, WireValue
from rules.plant.reading import Reading, Stamp
from tests.collector.cards.corrections.spoilt import DECLARED
from tests.collector.cards.sample_cards import AT, GOOD

LIVE_KEYS = sorted(k for k in GOOD if k == "sysUpTime" or BY_NAME[k.partition(".")[0]].part is TablePart.LIVE)
ODD: tuple[WireValue, ...] = (
    0,
    -1,
    1,
    2,
    4,
    5,
    59,
    80,
    255,
    500,
    651,
    761,
    6001,
    32767,
    65535,
    4294967295,
    2**31,
)
EVERY_S = 5.0


def reads(chance: Random) -> Iterator[CardRead]:
    """Yield what a card says: at rest mostly, now and then odd, a word, a row or a slow part; now and then what moved is lost."""
    values, said, numbers = dict(GOOD), dict(GOOD), count(1)
    before = 0
    for turn in count():
        values["sysUpTime"] = int(values["sysUpTime"]) + 500
        for _ in range(chance.choice((1, 2, 4))):
            key = chance.choice(LIVE_KEYS)
            if key.startswith(("upsOutputPower", "upsInputVoltage", "upsBatteryVoltage")):
                values[key] = max(int(GOOD[key]) + chance.randrange(-9, 9), 1)
        if chance.random() < 0.06:
            values[chance.choice(LIVE_KEYS)] = chance.choice(ODD)
        elif chance.random() < 0.1:
            values = {**GOOD, "sysUpTime": values["sysUpTime"]}
        slow = turn % 12 == 0
        parts = frozenset(
            TablePart if turn == 0 else (TablePart.LIVE, TablePart.SLOW) if slow else (TablePart.LIVE,)
        )
        keys = LIVE_KEYS if not slow else sorted(GOOD)
        now = {key: values[key] for key in keys}
        alarms = chance.choice(((), (), (), None, ("1.3.6.1.2.1.33.1.6.3.3",)))
        number = 0 if slow or chance.random() < 0.05 else next(numbers)
        moved = tuple(key for key in keys if said.get(key) != now[key])
        yield CardRead(parts, now, {}, alarms, number=number, since=before if number else 0, moved=moved)
        said, before = now, number


@pytest.mark.parametrize("seed", range(4))
def test_what_moved_says_what_all_values_say(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    quick = 0

    def counted(*given: object) -> Reading | None:
        nonlocal quick
        found = again(*given)  # type: ignore[arg-type]
        quick += found is not None
        return found

    monkeypatch.setattr(decoding, "again", counted)
    known, plain = CardKnowledge.fresh(), CardKnowledge.fresh()
    state, whole = WireState(), WireState()
    known.rests.looks = plain.rests.looks = 60
    for turn, wire in zip(range(1500), reads(Random(seed)), strict=False):
        at = AT + timedelta(seconds=EVERY_S * turn)
        stamp = Stamp(at, EVERY_S * turn, "one")
        state, whole = state.after(wire, at), whole.after(replace(wire, number=0, since=0), at)
        assert state == whole
        assert list(state.values) == list(whole.values)
        found = known.interpret("A1", stamp, state, DECLARED)
        assert found == plain.interpret("A1", stamp, whole, DECLARED), turn
        assert known.as_json() == plain.as_json()
        assert (known.rests.looks, known.rests.since) == (plain.rests.looks, plain.rests.since), turn
    assert quick > 100


def test_a_zero_beside_what_moved_is_thought_over_anew() -> None:
    """No amperes are believed beside few per cent, and not beside many: a value that stood still means another thing."""
    known, state = CardKnowledge.fresh(), WireState()
    values: dict[str, WireValue] = {
        **GOOD,
        "upsOutputCurrent.1": 0,
        "upsOutputPercentLoad.1": 3,
        "upsOutputPower.1": 0,
    }
    said, number = values, 0
    for percent in (3, 40, 41):
        values = {**values, "upsOutputPercentLoad.1": percent}
        moved = tuple(key for key in values if values[key] != said[key])
        wire = CardRead(frozenset(TablePart), values, number=number + 1, since=number, moved=moved)
        said, number = values, number + 1
        state = state.after(wire, AT)
        reading = known.interpret("A1", Stamp(AT, 0.0, "one"), state)
        assert (reading.output.lines[0].current_a is None) is (percent > 3)
