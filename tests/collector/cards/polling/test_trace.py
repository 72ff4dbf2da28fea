"""The last polls of a card come back as they were noted, the oldest first, and take little room."""

from datetime import UTC, datetime, timedelta
from sys import getsizeof

from collector.cards.polling.trace import KEPT, Trace, TracedRead

AT = datetime(2026, 3, 1, 12, 0, 0, 123456, tzinfo=UTC)


def test_the_last_polls_come_back_with_the_reasons_of_those_without_an_answer() -> None:
    trace = Trace()
    assert not list(trace)
    noted = []
    for n in range(3 * KEPT // 2):
        at = AT + timedelta(seconds=5.04 * n)
        if n % 7:
            trace.answered(at, n / 64.0, objects=47, retries=n % 3, octets=1200 + n)
            noted.append(TracedRead(at, n / 64.0, 47, n % 3, 1200 + n, None))
        else:
            trace.silent(at, f"no answer to {n}")
            noted.append(TracedRead(at, None, None, None, None, f"no answer to {n}"))
    assert list(trace) == noted[-KEPT:]
    assert len(trace) == KEPT
    assert getsizeof(trace._rows) < 25 * KEPT
