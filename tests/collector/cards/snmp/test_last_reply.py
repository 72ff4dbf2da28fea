"""What moved since the last reply is what both replies decoded whole differ in, or nothing is said of it."""

from random import Random

from collector.cards.snmp import ber
from collector.cards.snmp.ber import Value
from collector.cards.snmp.last_reply import LastReply

FIRST: list[tuple[int, Value]] = [
    (ber.TIME_TICKS, 86_400_00),
    *[(ber.INTEGER, 5100 + 7 * place) for place in range(12)],
    *[(ber.GAUGE32, 231), (ber.COUNTER32, 70_000), (ber.INTEGER, -20)],
    *[(ber.OCTET_STRING, b"no text moves"), (ber.NO_SUCH_INSTANCE, None), (ber.COUNTER64, 2**40)],
    (ber.INTEGER, 0),
]
ODD: tuple[tuple[int, Value], ...] = (
    (ber.INTEGER, 2**31), (ber.INTEGER, -1), (ber.GAUGE32, 2**32 - 1), (ber.OCTET_STRING, b"231"), (ber.NULL, None),
)  # fmt: skip


def message(
    values: list[tuple[int, Value]], number: int, *, status: int = 0, community: bytes = b"public"
) -> bytes:
    pairs = [ber.encode_varbind(f"1.3.6.1.2.1.33.1.{place}.0", *one) for place, one in enumerate(values)]
    return ber.encode_message(ber.VERSION_2C, community, ber.encode_response_pdu(number, pairs, status))


def test_what_moved_is_what_two_replies_decoded_whole_differ_in() -> None:
    chance, last, values, told = Random(33), LastReply(), list(FIRST), 0
    before: list[ber.Varbind] | None = None
    for number in range(3000):
        for _ in range(chance.choice((0, 1, 1, 3, 8))):
            place = chance.randrange(len(values))
            tag, value = values[place]
            if isinstance(value, int):
                values[place] = tag, value + chance.choice((-1, 1, 5, -300, 300))
        if chance.random() < 0.1:
            values[chance.randrange(len(values))] = chance.choice(ODD)
        if chance.random() < 0.1:
            values = list(FIRST)
        status = chance.choice((0,) * 30 + (ber.GEN_ERR,))
        data = message(values, ber.FIRST_ID + number, status=status)
        pdu = ber.decode_message(data).pdu
        moved = last.moved(data)
        if moved is None:
            if not status:
                last.settled(alike=False)
                before = pdu.varbinds
            continue
        told += 1
        assert before is not None
        assert status == 0
        now = list(before)
        for place, value in moved:
            assert now[place][2] != value
            now[place] = (*now[place][:2], value)
        assert now == pdu.varbinds
        last.settled(alike=True)
        before = now
    assert told > 1000


def test_of_another_community_question_or_length_nothing_is_said() -> None:
    last = LastReply()
    one = message(FIRST, ber.FIRST_ID)
    assert last.moved(one) is None
    last.settled(alike=False)
    assert last.moved(message(FIRST, ber.LAST_ID)) == (), "the number of the request is nobody's value"
    for other in (
        message(FIRST, ber.FIRST_ID, community=b"secret"),
        message(FIRST[1:], ber.FIRST_ID),
        message([*FIRST[1:], FIRST[0]], ber.FIRST_ID),
        message([(ber.INTEGER, 1), *FIRST[1:]], ber.FIRST_ID),
        one[:-1],
        one[:-1] + b"\x00\x00",
    ):
        assert last.moved(other) is None


def test_what_came_and_was_not_used_is_not_the_last_reply() -> None:
    last, moved = LastReply(), [(ber.TIME_TICKS, 86_400_01), *FIRST[1:]]
    last.moved(message(FIRST, ber.FIRST_ID))
    last.settled(alike=False)
    assert last.moved(message(moved, ber.FIRST_ID)) == ((0, 86_400_01),)
    assert last.moved(message(moved, ber.FIRST_ID)) == ((0, 86_400_01),)
    last.forget()
    assert last.moved(message(moved, ber.FIRST_ID)) is None
