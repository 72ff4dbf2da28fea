"""A reading made of what repeats itself is the reading made anew, doubts and their order included."""

from random import Random

from collector.cards.mib.correction_set import STANDARD, Correction, CorrectionSet, Ruling
from collector.cards.mib.decode import decode
from collector.cards.mib.repeats import Repeats
from collector.cards.mib.upsmib import BY_NAME
from collector.cards.mib.wire_values import WireState, WireValue
from rules.plant.reading import DoubtKind
from tests.collector.cards.sample_cards import GOOD, STAMP

ODD: tuple[WireValue | None, ...] = (
    None, 0, 0, -1, 1, 2, 3, 4, 5, 44, 45, 59, 60, 65, 79, 80, 255, 449, 450, 500, 650, 651, 760, 761, 799, 800,
    6000, 6001, 7600, 7601, 32767, 60000, 60001, 65535, 83333, 83334, 2147483647, 4294967295, 5000000, 5000001, "54.5 V", "odd",
)  # fmt: skip
SETS = (
    STANDARD,
    CorrectionSet(
        {
            "upsBatteryCurrent": Correction("upsBatteryCurrent", DoubtKind.SIGN, "no sign", Ruling.MAGNITUDE),
            "upsOutputPower": Correction("upsOutputPower", DoubtKind.SCALE, "tenfold", factor=0.1),
        }
    ),
    CorrectionSet({}, frozenset({("input", 3), ("bypass", 2)})),
    CorrectionSet(
        {"upsOutputSource": Correction("upsOutputSource", DoubtKind.BASE, "by clause", Ruling.CLAUSE)}
    ),
    CorrectionSet({}, stale="it serves old readings"),
)


def test_what_repeats_itself_means_what_it_would_if_it_were_made_anew() -> None:
    chance, repeats = Random(15), Repeats()
    values: dict[str, WireValue] = dict(GOOD)
    types: dict[str, str] = {}
    corrections, engine = STANDARD, None
    for _ in range(4000):
        for _ in range(chance.choice((0, 1, 1, 2, 6))):
            key, odd = chance.choice(sorted(GOOD)), chance.choice(ODD)
            values.pop(key, None)
            if odd is not None:
                values[key] = odd
        if chance.random() < 0.3:
            values = dict(GOOD)
        if chance.random() < 0.05:
            types = {} if types else {chance.choice(sorted(GOOD)): "Gauge32"}
        if chance.random() < 0.05:
            corrections = chance.choice(SETS)
        if chance.random() < 0.02:
            engine = chance.choice((None, "80001f88"))
        state = WireState(dict(values), types, (), engine_id=engine)
        anew = decode("A1", STAMP, state, corrections)
        assert decode("A1", STAMP, state, corrections, repeats) == anew


def test_each_value_at_and_beside_its_bounds_is_taken_or_doubted_as_before() -> None:
    """A value that is taken as it comes is one that the slow way takes without a doubt, to the last digit."""
    for key in sorted(GOOD):
        item = BY_NAME.get(key.partition(".")[0])
        if item is None or item.field is None or isinstance(GOOD[key], str):
            continue
        for odd in ODD:
            if not isinstance(odd, int):
                continue
            state = WireState({**GOOD, key: odd}, {}, (), part_at={})
            plain = decode("A1", STAMP, state)
            # a type that is told beside it takes the slow way; its own doubt is the one that is left out here
            slow = decode("A1", STAMP, WireState(state.values, {key: item.kind.value}, (), part_at={}))
            told = tuple(doubt for doubt in slow.doubts if doubt.kind is not DoubtKind.TYPE)
            assert (plain.battery, plain.input, plain.output, plain.bypass, plain.nameplate) == (
                slow.battery, slow.input, slow.output, slow.bypass, slow.nameplate,
            ), (key, odd)  # fmt: skip
            assert {(d.object, d.kind, d.line) for d in plain.doubts if d.kind is not DoubtKind.TYPE} == {
                (d.object, d.kind, d.line) for d in told
            }, (key, odd)


def test_parts_that_said_nothing_new_are_the_same_values() -> None:
    repeats = Repeats()
    first = decode("A1", STAMP, WireState(GOOD, alarms=()), repeats=repeats)
    moved = {**GOOD, "sysUpTime": 77, "upsOutputPower.2": int(GOOD["upsOutputPower.2"]) + 3}
    then = decode("A1", STAMP, WireState(moved, alarms=()), repeats=repeats)
    assert then.output.lines[1] != first.output.lines[1]
    assert then.output.lines[0] is first.output.lines[0]
    assert then.nameplate is first.nameplate
    assert then.battery is first.battery
