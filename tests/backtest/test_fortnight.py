"""Two weeks of a site of ten units and its three people: who was told what and when, and that nobody who had to know was left out.

pytest -s tests/backtest/test_fortnight.py      # prints every message and the table; some minutes of a core
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from datetime import timedelta

from rules.alarms.incidents.incident import NoticeKind
from rules.values.severity import Severity
from tests.backtest.fortnight import Delivered, Fortnight, played
from tests.backtest.fortnight_site import ADA, BEN, CLEO, DAYS, HERE, START, WAIT_S, at, day_of

QUIET_MOST = 3
"""What somebody is to get on a day on which nothing happens, at the most."""
LIVELY_MOST = 10
"""What somebody is to get on any day, one with an outage or a supply that comes and goes included, at the most."""
QUIET = (1, 2, 7, 14)
"""Days on which nothing happens but a test of a bank in working hours, and turns that begin."""
OUTAGES = {
    "Christmas Eve": at(4, "19:00:00"),
    "a dip on Christmas night": at(5, "03:40:00"),
    "a generator that does not come": at(8, "07:40:00"),
    "while the phones are dead": at(9, "22:30:00"),
    "New Year's Eve": at(11, "23:50:00"),
    "with a kill in it": at(13, "04:30:00"),
}
KNOWN_WITHIN_S = 120.0
"""Until a person knows of an outage: a minute at the most for a way that is dead, and what a kill takes."""


def test_two_weeks_of_a_site_and_its_people() -> None:
    it = played()
    print("\n".join(_account(it)))
    left_out = [name for name, began in OUTAGES.items() if not _told_within(it, began, KNOWN_WITHIN_S)]
    assert left_out == []
    assert _escalations(it) == []
    counts = it.days()
    noisy = {
        (who, d): counts[who].get(d, 0) for who in counts for d in QUIET if counts[who].get(d, 0) > QUIET_MOST
    }
    assert noisy == {}
    lively = {(who, d): n for who, by_day in counts.items() for d, n in by_day.items() if n > LIVELY_MOST}
    assert lively == {}
    assert it.quality.verdict == "acceptable", "by EEMUA 191"
    assert not any("oldest unsent message" in one.letter.notice.what for one in it.came), (
        "nobody's turn is a fault"
    )


def _told_within(it: Fortnight, began_s: float, within_s: float) -> list[Delivered]:
    kinds = (NoticeKind.OPENED, NoticeKind.CHANGED)
    found = [d for d in it.came if began_s <= d.at_s <= began_s + within_s]
    return [d for d in found if d.letter.notice.kind in kinds and d.letter.notice.parts]


def _escalations(it: Fortnight) -> list[str]:
    """Return what nobody had taken on after the wait while it stood, and Cleo was not told of."""
    missing = []
    for one in it.came:
        notice = one.letter.notice
        grave = (
            notice.severity.rank >= Severity.MAJOR.rank and notice.kind is NoticeKind.OPENED and notice.alarms
        )
        if one.person != BEN or not grave:
            continue
        mine = [d for d in it.came if d.letter.notice.incident == notice.incident]
        over = [d.at_s for d in mine if d.letter.notice.kind is NoticeKind.CLOSED]
        answered = [at_s for at_s, _, what in it.answered if what.startswith(f"{notice.incident}:")]
        ended_s = min([*over, *answered], default=float("inf"))
        told = any(d.person == CLEO for d in mine)
        if ended_s > one.at_s + WAIT_S + 60.0 and not told and one.at_s < DAYS * 86_400.0 - WAIT_S:
            missing.append(f"{notice.incident} of day {day_of(one.at_s)}")
    return missing


def _account(it: Fortnight) -> Iterator[str]:
    for one in it.came:
        here, notice = (START + timedelta(seconds=one.at_s)).astimezone(HERE), one.letter.notice
        yield f"{here:%a %d %b %H:%M:%S} {one.person:5}{one.by:6}{notice.kind.value:10}{notice.severity.value:9}{notice.short}"
    yield f"\nmessages by day{'':6}" + " ".join(f"{d:3}" for d in range(1, DAYS + 1))
    for who, by_day in it.days().items():
        yield f"{who:20} " + " ".join(f"{by_day.get(d, 0):3}" for d in range(1, DAYS + 1))
    answers = Counter(who for _, who, _ in it.answered)
    yield f"answers: {answers[ADA]} of {ADA}, {answers[CLEO]} of {CLEO}, {answers[BEN]} of {BEN}"
    q = it.quality
    yield (
        f"EEMUA 191: {q.count} alarms, {q.per_day:.1f} a day ({q.verdict}), at most {q.most_in_ten_minutes} in ten minutes "
        f"and {q.most_in_an_hour} in an hour, {q.floods} floods, chattering {list(q.chattering)}, stale {list(q.stale)}"
    )
