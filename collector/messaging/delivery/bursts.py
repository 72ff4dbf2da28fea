"""When many sites go at once: one letter that names them all, told again when another joins.

Theory of operation. What may wait for nothing (`News.waits_for_nothing`) goes to its person as a letter of its own, at
once and outside every allowance. Up to `ALONE` such letters of a sort to one destination within `WITHIN_S` seconds are
single letters. What comes above makes them a *burst*: whatever is new is gathered, for at most `WITHIN_S` at first and
`JOINED_EVERY_S` from then on, and goes out as one letter with a line for each place, those told within the last `GOES_ON_S` after those that are new, all counted
to the moment of sending. A burst goes on while another place joins within `GOES_ON_S` of its last letter. A place that
is over leaves it. All of it is counted from the journal at a start, so that a letter made again after a kill is the same letter.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Final

from collector.messaging.delivery.letter import Letter
from collector.storage.ledger.records import Outgoing
from rules.alarms.incidents.incident import Notice, NoticeKind, NoticeNews
from rules.phrasing.text import at_least, counted, listed, short_form
from rules.values.severity import Severity

ALONE: Final = 3
"""So many letters of one sort go singly within `WITHIN_S`; one more and they become one."""
WITHIN_S: Final = 5.0
JOINED_EVERY_S: Final = 3.0
"""How often what joins goes out beside those told before. Cards at rest are read every 5 s, so of sites that go within a few
seconds the last is known 5 s after it went; it is to be told within ten."""
GOES_ON_S: Final = 60.0
ONCE_IN_S: Final = 600.0
"""The same news goes outside the allowances once in this time; a supply that comes and goes has no claim to more."""

Place = tuple[str, str]
"""A channel and a destination on it."""


@dataclass(slots=True)
class Burst:
    """Letters of one sort to one destination that came close together.

    `alone_s`: when single ones went out; `joint_s`: when the last joint one did; `sent`: all of them by incident, in
    the order told.
    """

    last_s: float
    joint_s: float | None = None
    alone_s: list[float] = field(default_factory=list)
    sent: dict[str, Letter] = field(default_factory=dict)

    def open_at(self, now_s: float) -> bool:
        """Return whether what comes now is told beside it."""
        return now_s - self.last_s <= GOES_ON_S

    def alone_lately(self, now_s: float) -> list[float]:
        """Return when single letters went out within the time in which many become one."""
        return [at_s for at_s in self.alone_s if now_s - at_s <= WITHIN_S]


class Bursts:
    """What went out lately that could not wait, by destination."""

    def __init__(self) -> None:
        self._open: dict[tuple[Place, NoticeNews], Burst] = {}
        self._told_s: dict[tuple[Place, str], float] = {}

    def has_claim(self, place: Place, notice: Notice, now_s: float) -> bool:
        """Return whether a notice goes outside the allowances: its news was not told so within ten minutes."""
        if not notice.news.waits_for_nothing:
            return False
        told = [self._told_s.get((place, one)) for one in notice.news_of]
        return any(at_s is None or now_s - at_s >= ONCE_IN_S for at_s in told)

    def joint_in_s(self, place: Place, news: NoticeNews, waiting: int, now_s: float) -> float | None:
        """Return in how many s `waiting` letters of one sort go out as one; None: they go singly, now."""
        burst = self._current(place, news, now_s)
        if burst is not None and burst.joint_s is not None:
            return max(burst.joint_s + JOINED_EVERY_S - now_s, 0.0)
        lately = [] if burst is None else burst.alone_lately(now_s)
        if len(lately) + waiting <= ALONE:
            return None
        return max(min(lately) + WITHIN_S - now_s, 0.0) if lately else 0.0

    def beside(self, place: Place, news: NoticeNews, now_s: float) -> tuple[Letter, ...]:
        """Return the letters of the burst under way, as last heard of, and in the order they were told."""
        burst = self._current(place, news, now_s)
        return () if burst is None else tuple(burst.sent.values())

    def count(self, place: Place, letters: Iterable[Letter], now_s: float, *, joint: bool) -> None:
        """Count letters of one sort that went out together, or one alone."""
        for letter in letters:
            notice = letter.notice
            burst = self._current(place, notice.news, now_s)
            if burst is None:
                burst = self._open[place, notice.news] = Burst(now_s)
            burst.last_s = now_s
            if joint:
                burst.joint_s = now_s
            else:
                burst.alone_s.append(now_s)
            burst.sent[notice.incident] = letter
            for one in notice.news_of:
                self._told_s[place, one] = now_s

    def heard(self, place: Place, letter: Letter) -> None:
        """Take in a later letter of an incident: a burst names no place that is over, and counts from the newest."""
        notice = letter.notice
        over = notice.kind is NoticeKind.CLOSED or (
            bool(notice.parts) and all(part.until is not None and not part.dark for part in notice.parts)
        )
        for news in (NoticeNews.OUTAGE, NoticeNews.GRAVER):
            burst = self._open.get((place, news))
            if burst is None or notice.incident not in burst.sent:
                continue
            if over:
                del burst.sent[notice.incident]
            else:
                known = burst.sent[notice.incident]
                newer = replace(known.notice, parts=notice.parts or known.notice.parts, do=notice.do)
                burst.sent[notice.incident] = replace(known, notice=newer)

    def _current(self, place: Place, news: NoticeNews, now_s: float) -> Burst | None:
        burst = self._open.get((place, news))
        if burst is not None and not burst.open_at(now_s):
            del self._open[place, news]
            return None
        return burst


def joint_of(messages: Sequence[Outgoing], before: Sequence[Letter], now: datetime) -> Outgoing:
    """Return one message for several that could not wait, of one sort; `before`: those told already that go on.

    The same messages beside the same others give the same id, so that one repeated after a kill is known by it.
    """
    new = [Letter.of(message.body) for message in messages]
    mine = {letter.notice.incident for letter in new}
    # what became critical is told in words of its moment; only outages can be counted on
    outage = new[0].notice.news is NoticeNews.OUTAGE
    again = [letter for letter in before if outage and letter.notice.incident not in mine]
    notices = [letter.notice for letter in (*new, *again)]
    first = (again or new)[0].notice
    sites = {n.site for n in notices}
    site = next(iter(sites)) if len(sites) == 1 else None
    what = _headline(notices, len(new) if again else 0)
    soonest = sorted(new, key=lambda x: _ends(x.notice))
    told = [letter for letter in again if letter.notice.parts]
    lines = tuple(place_line(letter.notice, now) for letter in (*soonest, *told))
    deeds = {n.do for n in notices if n.do}
    do = deeds.pop() if len(deeds) == 1 else "See each line: what ends soonest first."
    worst = max((n.severity for n in notices), key=lambda s: s.rank)
    first_due = min(notices, key=lambda n: (n.by_when is None, n.by_when or n.at))
    incident = f"joint-{first.incident}"
    notice = Notice(
        id=f"joint-{messages[0].id}-{len(messages)}-{len(again)}",
        incident=incident,
        kind=NoticeKind.OPENED if first.news is NoticeNews.OUTAGE else NoticeKind.CHANGED,
        severity=worst,
        at=now,
        site=site,
        about=first.about if len(notices) == 1 else (site or "several"),
        what=what,
        do=do,
        by_when=first_due.by_when,
        by_when_for=first_due.by_when_for,
        lines=lines,
        short=short_form(what, "Now", None, do),
        urgent=worst.rank >= Severity.MAJOR.rank,
        alarms=tuple(a for n in notices for a in n.alarms),
        counted=sum(n.counted for n in notices),
        opened_at=min((n.opened_at for n in notices if n.opened_at is not None), default=None),
        parts=tuple(p for n in notices for p in n.parts),
        news=first.news,
        news_of=tuple(one for x in new for one in x.notice.news_of),
        place=listed([n.place for n in notices], 3),
        mains_lost=all(n.mains_lost for n in notices),
    )
    call = tuple(dict.fromkeys(name for letter in (*new, *again) for name in letter.call))
    letter = replace(new[0], notice=notice, others=(), unanswered_only=False, told_only=False, call=call)
    return replace(messages[0], id=notice.id, incident=None, body=letter.body())


def _headline(notices: Sequence[Notice], joined: int) -> str:
    sites = {n.site for n in notices}
    where = counted(len(sites), "site") if len(sites) > 1 else counted(len(notices), "place")
    if notices[0].news is NoticeNews.GRAVER:
        said = f"Critical now at {where}"
    elif all(n.mains_lost for n in notices):
        said = f"Mains lost at {where}"
    else:
        said = f"On battery at {where}"
    return f"{said}, {joined} more now." if joined else f"{said}."


def _ends(notice: Notice) -> datetime:
    ends = [p.ends_earliest for p in notice.parts if p.until is None and p.ends_earliest is not None]
    return min(ends, default=notice.at.max.replace(tzinfo=notice.at.tzinfo))


def place_line(notice: Notice, now: datetime) -> str:
    """Return one place in a line: its systems with the time left as of `now`, and what to do."""
    if notice.news is NoticeNews.GRAVER:
        return f"{notice.what} {notice.do}".strip()
    systems = []
    for part in notice.parts:
        if part.dark:
            systems.append(f"{part.name or part.system} dropped its load")
        elif part.until is not None:
            systems.append(f"{part.name or part.system} is back")
        elif part.ends_earliest is None:
            systems.append(f"{part.name or part.system}: how long it holds cannot be told")
        else:
            left = at_least(max((part.ends_earliest - now).total_seconds(), 0.0))
            systems.append(f"{part.name or part.system}: {left} left at the least")
    said = "; ".join(systems) or notice.what
    return f"{notice.place or notice.about}. {said}. {notice.do}".strip()
