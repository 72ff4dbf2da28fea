"""What is told late, after the way to somebody was down: how things stand now, in one letter with its age in it.

Theory of operation. A letter whose turn comes later than `LATE_S` after it was due, other than because the allowance held
it, is not sent as it is: it would say that something begins which may be over. What waits for the same person then goes as
one letter. Of each incident it says the newest state alone: first what stands, the gravest first, with the time left
counted to now; then what came and is over, as over. How long ago all that was stands in it. The same letters make the
same letter, so that one repeated after a kill is known by its id.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

from collector.messaging.delivery.bursts import place_line
from collector.messaging.delivery.letter import LETTER, Letter
from collector.messaging.delivery.needless import as_first_word, needless
from collector.storage.ledger.ledger import Ledger
from collector.storage.ledger.records import Outgoing
from rules.alarms.incidents.incident import Notice, NoticeKind, NoticeNews
from rules.phrasing.notice_case import left_words
from rules.phrasing.text import counted, lasted, short_form

LATE_S: Final = 120.0
"""A letter that comes so long after its turn tells of what was: a moment's outage of the way there makes none."""


def is_late(message: Outgoing, now: datetime, *, held: str) -> bool:
    """Return whether a letter comes late because it could not be sent; `held`: the result of one that had to wait its turn."""
    waited_s = (now - message.created).total_seconds()
    return (
        message.schema == LETTER and message.result != held and waited_s > LATE_S and not _asks_later(message)
    )


async def late_with(
    ledger: Ledger, message: Outgoing, waiting: Sequence[Outgoing]
) -> tuple[list[Outgoing], dict[str, str]]:
    """Return what goes with a late letter, itself among it, in the order made; and why others need not go, by id.

    It is what waits for its destination. Whoever is told of an incident's begin by it may be told of its end in the same letter.
    """
    beside = [one for one in waiting if one.destination == message.destination and not _asks_later(one)]
    group = {one.id: one for one in (message, *beside)}
    letters = {name: Letter.of(one.body) for name, one in group.items()}
    begun = {letter.notice.incident for letter in letters.values() if not letter.told_only}
    unneeded: dict[str, str] = {}
    for name, letter in letters.items():
        asked = replace(letter, told_only=letter.told_only and letter.notice.incident not in begun)
        why = None if name == message.id else await needless(ledger, asked)
        if why is not None:
            unneeded[name] = why
    held = [one for name, one in group.items() if name not in unneeded]
    return sorted(held, key=lambda one: one.seq), unneeded


def _asks_later(message: Outgoing) -> bool:
    """Return whether a letter is for somebody who is told of what nobody answers, and has a wait of its own."""
    return Letter.of(message.body).unanswered_only


@dataclass(frozen=True, slots=True)
class _Told:
    """The newest word of one incident: whether it is over, since when nobody was told, and what else was to be told."""

    letter: Letter
    over: bool
    since: datetime
    beside: tuple[str, ...] = ()

    @property
    def notice(self) -> Notice:
        return self.letter.notice


async def late_letter(ledger: Ledger, held: Sequence[Outgoing], now: datetime) -> Outgoing:
    """Return the one message that says of everything in `held` how it stands now."""
    newest: dict[str, _Told] = {}
    for message in held:
        letter = Letter.of(message.body)
        known = newest.get(letter.notice.incident)
        line = await ledger.incident(letter.notice.incident)
        over = letter.notice.kind is NoticeKind.CLOSED or (line is not None and line.closed is not None)
        since = known.since if known is not None else letter.notice.at
        if known is not None and letter.told_only and letter.notice.kind is not NoticeKind.CLOSED:
            # who has it says nothing of how it stands
            beside = (*known.beside, letter.notice.what)
            newest[letter.notice.incident] = replace(known, over=over, beside=beside)
        else:
            newest[letter.notice.incident] = _Told(letter, over, since, known.beside if known else ())
    told = sorted(newest.values(), key=lambda one: (one.over, -_weight(one), -one.notice.at.timestamp()))
    late = lasted(max((now - one.since).total_seconds() for one in told))
    told[0] = replace(told[0], letter=await as_first_word(ledger, told[0].letter))
    notice = _alone(told[0], now) if len(told) == 1 else _together(told, held, now, late)
    letter = replace(told[0].letter, notice=notice, others=(), told_only=False)
    message_id = held[0].id if len(held) == 1 else f"late-{held[0].id}-{len(held)}"
    return replace(held[0], id=message_id, body=letter.body())


def _weight(one: _Told) -> int:
    return 0 if one.over else one.notice.severity.rank


def _alone(one: _Told, now: datetime) -> Notice:
    """Return the notice of a single incident: over, or as it stands now."""
    notice = one.notice
    late = lasted((now - one.since).total_seconds())
    if one.over:
        ended = notice.kind is NoticeKind.CLOSED
        since = lasted((now - notice.at).total_seconds())
        what = f"Over for {since}: {notice.what}" if ended else f"Over by now: {notice.what}"
        short = short_form(
            _headed(notice)[0], f"Told late, over for {since}" if ended else "Told late, over", None, ""
        )
        return replace(
            notice, kind=NoticeKind.CLOSED, at=now, what=f"Told {late} late. {what}", do="", by_when=None,
            by_when_for=None, short=short, urgent=False, news=NoticeNews.OTHER,
        )  # fmt: skip
    return replace(
        notice,
        at=now,
        what=f"Told {late} late, and not over: {notice.what}",
        lines=((f"As of now: {place_line(notice, now)}",) if notice.parts else ())
        + one.beside
        + notice.lines,
        short=_short(one, f"{late} late, not over", now),
    )


def _together(told: Sequence[_Told], held: Sequence[Outgoing], now: datetime, late: str) -> Notice:
    stands = [one for one in told if not one.over]
    over = [one for one in told if one.over]
    first = told[0].notice
    number = counted(len(held), "message")
    counts = [f"{len(stands)} not over"] if stands else []
    counts += [f"{len(over)} over"] if over else []
    what = f"{number} told up to {late} late, of {counted(len(told), 'incident')}: {', '.join(counts)}."
    sites = {one.notice.site for one in told}
    lines = [f"Not over, {_ago(one.since, now)}: {_now(one, now)}" for one in stands]
    lines += [f"Over, {_ago(one.notice.at, now)}: {one.notice.short}" for one in over]
    behind = f"{late} late" + (f", {len(told) - 1} more" if len(told) > 1 else "")
    return replace(
        first,
        id=f"late-{held[0].id}-{len(held)}",
        incident=f"late-{held[0].id}",
        kind=NoticeKind.OPENED if stands else NoticeKind.CLOSED,
        at=now,
        site=first.site if len(sites) == 1 else None,
        about="several",
        place="",
        what=what,
        do=first.do if stands else "",
        by_when=first.by_when if stands else None,
        by_when_for=first.by_when_for if stands else None,
        lines=tuple(lines),
        short=_short(told[0], behind, now)
        if stands
        else short_form(_headed(first)[0], f"{behind}, all over", None, ""),
        urgent=any(one.notice.urgent for one in stands),
        alarms=tuple(a for one in stands for a in one.notice.alarms),
        counted=sum(one.notice.counted for one in told),
        opened_at=min((n for one in told if (n := one.notice.opened_at) is not None), default=None),
        parts=tuple(p for one in stands for p in one.notice.parts),
        news=NoticeNews.OTHER,
        news_of=(),
    )


def _now(one: _Told, now: datetime) -> str:
    said = place_line(one.notice, now) if one.notice.parts else f"{one.notice.what} {one.notice.do}".strip()
    return " ".join((said, *one.beside))


def _ago(moment: datetime, now: datetime) -> str:
    return f"{lasted((now - moment).total_seconds())} ago"


def _headed(notice: Notice) -> tuple[str, str]:
    """Return a short form's cause and its action."""
    head, _, action = notice.short.partition(". ")
    return head, action


def _short(one: _Told, where: str, now: datetime) -> str:
    """Return the short form of what stands, with the time left as of now and not as it was said then."""
    notice = one.notice
    head = _headed(notice)[0]
    left = left_words(notice.parts, now)
    then = left_words(notice.parts, notice.at)
    if then is not None and f", {then}" in head:
        head = head.replace(f", {then}", "")
        return short_form(head, where, left, notice.do)
    return short_form(head, where, None, notice.do)
