"""Which letters need not be sent any more when their turn comes, and which is the first of its incident to a person."""

from __future__ import annotations

from dataclasses import replace

from collector.messaging.delivery.letter import LETTER, Letter
from collector.storage.ledger.ledger import Ledger
from collector.storage.ledger.records import Sending
from rules.alarms.incidents.incident import NoticeKind, NoticeNews
from rules.alarms.lifecycle.states import State


async def as_first_word(ledger: Ledger, letter: Letter) -> Letter:
    """Return a letter as what it is to its person: to whom nobody wrote of its incident before, nothing has changed.

    What opened it was of less weight than they are told of, or of another hour.
    """
    if letter.notice.kind is not NoticeKind.CHANGED or await _was_told(ledger, letter):
        return letter
    return replace(letter, notice=replace(letter.notice, kind=NoticeKind.OPENED))


async def needless(ledger: Ledger, letter: Letter) -> str | None:
    """Return why a letter need not be sent any more, or None."""
    incident = letter.notice.incident
    if letter.unanswered_only:
        standing = await ledger.standing_alarms()
        waiting = [
            a for a in standing if a.incident == incident and a.state == State.ACTIVE_UNACKNOWLEDGED.value
        ]
        if not waiting:
            return "acknowledged or over meanwhile"
    if letter.notice.news is NoticeNews.GRAVER and await _is_over(ledger, letter):
        return "over meanwhile"
    if letter.told_only and not await _was_told(ledger, letter):
        return "was not told that it began"
    if letter.others and await _came_another_way(ledger, letter):
        return "came by another way meanwhile"
    return None


async def _is_over(ledger: Ledger, letter: Letter) -> bool:
    """Return whether the person was told already that the incident is over: what was graver did not wait in line."""
    return await _had(ledger, letter, "kind", NoticeKind.CLOSED.value)


async def _came_another_way(ledger: Ledger, letter: Letter) -> bool:
    """Return whether the person had this very notice by their next way, while this one was down."""
    return await _had(ledger, letter, "id", letter.notice.id)


async def _had(ledger: Ledger, letter: Letter, field: str, value: str) -> bool:
    """Return whether a letter of the same incident, with a notice of which `field` is `value`, was sent to the person lately."""
    page = await ledger.messages(incident=letter.notice.incident, sending=Sending.SENT)
    return any(
        line.schema == LETTER
        and line.body.get("person") == letter.person
        and line.body["notice"][field] == value
        for line in page.items
    )


async def _was_told(ledger: Ledger, letter: Letter) -> bool:
    before: int | None = None
    while True:
        page = await ledger.messages(incident=letter.notice.incident, before=before)
        for line in page.items:
            mine = line.schema == LETTER and line.body.get("person") == letter.person
            if mine and line.sending is Sending.SENT:
                return True
        if page.next is None:
            return False
        before = page.next
