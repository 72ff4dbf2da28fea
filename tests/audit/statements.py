"""Everything the service says, with the seconds in which it said it.

What stands on the read model is taken from the sheet that every page is made of; what is told, from the letters as they
arrive. A thing that is said again and again is one statement with a first and a last second.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, fields, is_dataclass
from datetime import datetime, timedelta
from typing import Final

from collector.messaging.delivery.letter import Letter
from collector.read_model.sheet_source import NO_LONGER, alarm_of, in_order
from collector.read_model.source import SheetSource
from collector.storage.ledger.records import JournalLine
from rules.alarms.catalogue import CATALOGUE
from rules.alarms.conditions.outage import words_at
from rules.alarms.lifecycle.alarm import Alarm
from rules.battery.state import BankState
from rules.planning.isolation.check import Isolation
from rules.plant.topology import Topology
from rules.system.state import SystemState
from rules.values.reason import Reason, reason_of
from rules.values.severity import Severity


@dataclass(slots=True)
class Statement:
    """One thing that was said.

    `kind` says what sort of thing ("unit standing", "alarm on_battery", "reason mains_lost"), `about` of whom, `value`
    what exactly, `where` in which part of what is shown. Seconds count from the story's start; `as_of_s` is the moment it
    holds for by its own word.
    """

    kind: str
    about: str
    where: str
    value: object
    at_s: float
    until_s: float
    as_of_s: float
    severity: Severity | None = None


Said = Iterator[tuple[str, str, str, object, Severity | None]]
"""Kind, about, where, value, severity."""

REASON: Final = "reason"
"""Under which name a line of the journal has the value behind its words, while a story is played."""
ELSEWHERE: Final = ("alarm_", "incident_", "message_")
"""Kinds of lines of the journal that repeat what is taken from where it stands."""
_OWN: Final = frozenset({"because", "not_checked", "findings", "work", "shed"})
_OF_A_NEED: Final = frozenset({"capacity", "asked_fraction", "dates", "probability_met", "too_small"})
"""What is said of a bank for the time and the load that are asked of it: these stand beside the value."""


class Listener:
    """Gathers the statements of a story, second by second."""

    def __init__(self, began: datetime) -> None:
        self._began = [(0.0, began)]
        self._open: dict[tuple[str, str, str], Statement] = {}
        self.statements: list[Statement] = []
        self._seen: dict[tuple[str, str], tuple[object, list[Statement]]] = {}

    def clock_set(self, at_s: float, by_s: float) -> None:
        """Reckon from now on with a time of day that was set by some seconds."""
        self._began.append((at_s, self._began[-1][1] + timedelta(seconds=by_s)))

    def _second(self, at: datetime, heard_s: float | None = None, upto_s: float = 0.0) -> float:
        """Return the second of the story at which a moment lies by the clock of its time.

        Heard at a second: by the clock then, or by the one before where that was still used. Else by the one that stood
        then, of a story that was played up to a second.
        """
        found = [(set_s, (at - began).total_seconds()) for set_s, began in self._began]
        if heard_s is None:
            ends = [*(set_s for set_s, _ in found[1:]), upto_s]
            stood = (s for (set_s, s), end in zip(found, ends, strict=True) if set_s - 1.0 <= s <= end + 1.0)
            return next(stood, found[0][1])
        lately = [s for set_s, s in found if set_s <= heard_s][-2:]
        return min(lately, key=lambda s: abs(heard_s - s))

    def hear(self, at_s: float, source: SheetSource) -> None:
        """Take what is shown at a second. What is the same object as before says the same."""
        present = source.present
        for state in present.systems.values():
            self._take(at_s, ("system", state.id), state, state.as_of, of_system(state))
        for bank in present.banks.values():
            self._take(at_s, ("bank", bank.id), bank, None, of_bank(bank))
        for unit, answer in present.isolations.items():
            self._take(at_s, ("isolation", unit), answer, answer.as_of, of_isolation(answer))
        for alarm in in_order(present.alarms.values()):
            self._take(at_s, ("alarm", alarm.id), alarm, None, of_alarm(alarm, source))

    def hear_letter(self, at_s: float, letter: Letter) -> None:
        """Take a letter as it arrived."""
        notice = letter.notice
        self.statements.append(
            Statement(
                f"notice {notice.kind.value}",
                notice.about,
                notice.id,
                notice,
                at_s,
                at_s,
                at_s,
                notice.severity,
            )
        )

    def hear_journal(self, lines: Iterable[JournalLine], upto_s: float) -> None:
        """Take what the journal says that happened up to a second; what alarms, incidents and messages did stands elsewhere."""
        for line in lines:
            if line.kind.startswith(ELSEWHERE):
                continue
            at_s = self._second(line.at, upto_s=upto_s)
            about = line.about or ""
            self.statements.append(
                Statement(f"event {line.kind}", about, "journal", line.text, at_s, at_s, at_s)
            )
            if REASON in line.body:
                for kind, whom, where, value, _ in _reasons(
                    reason_of(line.body[REASON]), about, "journal", None
                ):
                    self.statements.append(Statement(kind, whom, where, value, at_s, at_s, at_s))

    def _take(
        self, at_s: float, place: tuple[str, str], whole: object, as_of: datetime | None, said: Said
    ) -> None:
        before = self._seen.get(place)
        if before is not None and before[0] is whole and before[1] and before[1][0].until_s >= at_s - 1.5:
            for statement in before[1]:
                statement.until_s = at_s
            return
        as_of_s = at_s if as_of is None else self._second(as_of, at_s)
        known = {(s.kind, s.about, s.where): s for s in before[1]} if before is not None else {}
        now: list[Statement] = []
        for kind, about, where, value, severity in said:
            old = known.get((kind, about, where))
            if old is not None and old.value == value and old.until_s >= at_s - 1.5:
                old.until_s = at_s
                now.append(old)
                continue
            new = Statement(kind, about, where, value, at_s, at_s, as_of_s, severity)
            self.statements.append(new)
            now.append(new)
        self._seen[place] = (whole, now)


def of_system(state: SystemState) -> Said:
    """Yield what a system's state says."""
    name = state.id
    for unit in state.units:
        yield "unit standing", unit.id, "system", unit.standing, None
    yield "load", name, "system", (state.load.power_w, state.load.apparent_va), None
    for line in state.load.lines:
        yield "line load", name, f"line {line.line}", line, None
    if state.redundancy is not None:
        yield "redundancy", name, "system", state.redundancy.verdict, None
        for one in state.redundancy.at:
            yield "redundancy at", name, one.basis.value, one, None
    yield from _of_holding(state)
    yield from _of_outage(state)
    for finding in state.findings:
        yield f"finding {finding.kind.value}", finding.about, "system", finding.line, None
    if state.partner is not None:
        yield "partner", name, "system", state.partner.verdict, None
    for work in state.work:
        yield "work stage", work.unit, "system", work.stage, None
    yield from _reasons(state, name, "system", None)


def _of_holding(state: SystemState) -> Said:
    name, held = state.id, state.hold_up
    yield "hold-up now", name, "system", held.now, None
    yield "hold-up one lost", name, "system", held.one_unit_lost, None
    for lost in held.each_unit_lost:
        yield "hold-up unit lost", lost.unit, "system", lost.hold_up, None
    if held.recharged is not None:
        yield "hold-up recharged", name, "system", held.recharged, None
    yield "hold-up at end of life", name, "all", held.at_end_of_life.all, None
    yield "hold-up at end of life", name, "one lost", held.at_end_of_life.one_unit_lost, None
    for need in state.requirements:
        yield "requirement", name, need.id, (need.verdict, need.required_s, need.against, need.basis), None


def _of_outage(state: SystemState) -> Said:
    name, on = state.id, state.on_battery
    yield "on battery", name, "system", on is not None, None
    if on is not None:
        yield "on battery since", name, "system", on.since, None
        yield "ends", name, "system", (on.ends_earliest, on.ends_latest), None
        yield "start set before", name, "system", on.start_set_before, None
        yield "starts failed", name, "system", on.starts_failed, None
        yield "fed", name, "system", on.fed, None
        yield "carried", name, "system", on.carried, None
        if on.shed is not None:
            yield "shed first", name, "system", on.shed, None


def of_isolation(answer: Isolation) -> Said:
    """Yield what is answered to whether a unit may be taken out; safety notes stand beside every answer."""
    yield "isolation", answer.unit, "isolation", answer.overall, None
    for row in answer.rows:
        yield from _reasons(row.because, answer.unit, f"isolation {row.check}", None)


def of_bank(bank: BankState) -> Said:
    """Yield what a bank's state says."""
    for place in fields(bank):
        value = getattr(bank, place.name)
        if place.name in _OWN or value is None or isinstance(value, tuple):
            continue
        on = bank.rests_on
        of = (value, on.asked_w, on.required_s) if on is not None else (value, None, None)
        yield f"bank {place.name}", bank.id, "bank", of if place.name in _OF_A_NEED else value, None
    yield from _reasons(bank, bank.id, "bank", None)


def of_alarm(alarm: Alarm, source: SheetSource) -> Said:
    """Yield what an alarm says as people read it: that it stands, or that it is over; and its reasons while it stands."""
    if alarm.state.active:
        now = source.clock.now()
        so = not alarm_of(source, alarm, now).what.startswith(NO_LONGER)
        yield f"alarm {alarm.kind}", alarm.about, alarm.id, so, alarm.severity
        if so:
            system = Topology(source.estate).system(alarm.about)
            state = None if system is None else source.present.systems.get(system)
            what, do = words_at(alarm, state, source.estate, CATALOGUE, now)
            for place, one in (("what", what), ("do", do)):
                if one is not None:
                    yield from _reasons(one, alarm.about, f"{alarm.id} {place}", alarm.severity)


def _reasons(value: object, about: str, where: str, severity: Severity | None) -> Said:
    """Yield each reason within a value; a reason within a reason is said with it, and of what that is about."""
    count: dict[str, int] = {}
    for one, of in _found(value, about):
        name = f"{one.code.value} {one.about}"
        count[name] = count.get(name, 0) + 1
        yield f"reason {one.code.value}", of, f"{where} {name} {count[name]}", one, severity


def _found(value: object, about: str) -> Iterator[tuple[Reason, str]]:
    """Yield each reason within a value, and what it is about: `about` where neither it nor what it stands in says so."""
    if isinstance(value, Reason):
        about = value.about or about
        yield value, about
        for _, arg in value.args:
            yield from _found(arg, about)
    elif isinstance(value, tuple):
        for item in value:
            yield from _found(item, about)
    elif is_dataclass(value) and not isinstance(value, type):
        for place in fields(value):
            yield from _found(getattr(value, place.name), about)
