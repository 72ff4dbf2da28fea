"""One line through which everything passes: answers of cards, judgements, time, what operators do.

Each batch goes to the watch (`rules.watch`), which says what changed. Then the readings go into the
history, and the changes, the watch's state and the messages they cause into the ledger, in one
transaction; only after that are they shown and sent. A kill in between loses at most the batch in flight,
and the next start goes on from the state that was committed.
"""

from __future__ import annotations

import asyncio
import base64
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Final

from collector.aftermath import AFTERMATH, Aftermath
from collector.clock import Clock, stamp
from collector.countdowns import COUNTDOWN, Countdowns
from collector.database import PASSING, StoreError
from collector.discharges import DischargeKeeper
from collector.history.store import HistoryStore, WireReading
from collector.judging import Judging
from collector.last_seen import cut_off, last_moment, last_readings, last_silences
from collector.ledger import Ledger, Transaction
from collector.ledger.records import Action, Evidence, JudgementLine, Snapshot
from collector.lines import save_change
from collector.polling import Answer, Poller
from collector.present import Present
from collector.signed_plans import SignedPlans
from collector.snmp.learning import Learning
from collector.snmp.wire import WireState, as_kept
from collector.transfers import TRANSFERS, Transfers
from collector.unit_work import UNIT_WORK, UnitWorks, WorkBegins, WorkCloses
from collector.watch_keeping import WatchKeeping
from rules.alarms.changes import Change, PollNow, Refused
from rules.alarms.inputs import BankJudged, Input, OperatorAction, PlannedWork, SystemJudged, Tick
from rules.alarms.plain import to_plain
from rules.assess import SystemView, glance, system_state
from rules.autonomy import HoldUpJudgement
from rules.estate import Estate
from rules.judge import BankJudgement
from rules.pairing import PartnerLoad
from rules.peaks import PeakRecord, Peaks
from rules.reading import Fault, Reading, Sample, Silence
from rules.verdicts import Finding
from rules.watch.state import Book, WatchState, isolated_units
from rules.watch.step import step

PEAKS: Final = "peaks"
KEEP_PEAKS_EVERY_S: Final = 300.0
AROUND_EVENTS: Final = timedelta(minutes=15)
PEAKS_ANEW_S: Final = 60.0
MOST_WAITING: Final = 100_000
"""Readings that wait for an ailing disk; the oldest are given up beyond that, alarms never."""
LARGEST_BATCH: Final = 500
QUEUE_LENGTH: Final = 5000

Given = Answer | HoldUpJudgement | BankJudgement | Input
Enqueue = Callable[[Transaction, Sequence[Change]], None]


@dataclass(frozen=True, slots=True)
class Asked:
    """What somebody did or said, and where its refusal (or None) is awaited."""

    action: OperatorAction | WorkBegins | WorkCloses
    done: asyncio.Future[str | None]


@dataclass(slots=True)
class _Taken:
    """What one batch brought, on its way to be committed."""

    records: list[WireReading] = field(default_factory=list)
    changes: list[Change] = field(default_factory=list)
    evidence: list[Evidence] = field(default_factory=list)
    judgements: list[BankJudgement] = field(default_factory=list)
    asked: list[tuple[Asked, str | None]] = field(default_factory=list)
    touched: dict[str, None] = field(default_factory=dict)

    def join(self, later: _Taken) -> None:
        """Put what a later batch brought behind what this one did; nobody is answered twice."""
        self.records += later.records
        self.changes += later.changes
        self.evidence = list({line.id: line for line in (*self.evidence, *later.evidence)}.values())
        self.judgements += later.judgements
        self.asked += later.asked


class Recorder:
    """Takes what comes, in order, and keeps, judges, and shows it."""

    def __init__(
        self,
        book: Book,
        clock: Clock,
        history: HistoryStore,
        ledger: Ledger,
        present: Present,
        *,
        learning: Learning | None = None,
        enqueue: Enqueue = lambda _tx, _changes: None,
    ) -> None:
        self.queue: asyncio.Queue[Given | Asked] = asyncio.Queue(QUEUE_LENGTH)
        self.pollers: dict[str, Poller] = {}
        self.judging: Judging | None = None
        self.keeper = DischargeKeeper(book.estate)
        self.aftermath = Aftermath(book.estate)
        self.transfers = Transfers(book.estate)
        self.works = UnitWorks(book.estate)
        self.plans: SignedPlans | None = None
        self.coldest_c: Mapping[str, float] = {}
        """The coldest each bank gets, by bank; whoever gathers the banks' months fills it."""
        self.on_kept: Callable[[], None] = lambda: None
        """Called at once after a commit that holds changes: whoever sends messages need not wait for news."""
        self.on_discharged: Callable[[str], None] = lambda _bank: None
        self.learning = learning or Learning(book.estate)
        self.batches = 0
        self.state = WatchState()
        self._book = book
        self._estate: Estate = book.estate
        self._clock = clock
        self._history = history
        self._ledger = ledger
        self._present = present
        self._enqueue = enqueue
        self._wire: dict[str, WireState] = {}
        self._judged: dict[str, HoldUpJudgement] = {}
        self._countdowns = Countdowns()
        self._watch_kept = WatchKeeping()
        self._waiting = _Taken()
        self.trouble: str | None = None
        """What keeps the stores from taking what is to be kept, None while they do."""
        self._peaks = {name: PeakRecord(board_lines(self._estate, name)) for name in self._estate.systems}
        self._peaks_seen: dict[str, tuple[float, Peaks]] = {}
        self._peaks_kept_s = clock.monotonic_s()

    async def restore(self) -> None:
        """Go on from what the stores hold: the watch's state, discharges under way, the peaks, what was last seen."""
        self.state = await self._watch_kept.restore(self._ledger)
        self._countdowns.restore(await self._ledger.snapshots(COUNTDOWN), self._estate.systems)
        self.aftermath.restore(await self._ledger.snapshot(AFTERMATH))
        self.transfers.restore(await self._ledger.snapshot(TRANSFERS))
        self.works.restore(await self._ledger.snapshot(UNIT_WORK))
        closed = self.keeper.resume(await self._ledger.open_evidence())
        async with self._ledger.transaction() as tx:
            for line in closed:
                tx.save_evidence(line)
        peaks = await self._ledger.snapshot(PEAKS)
        for name, plain in (peaks.body if peaks is not None else {}).items():
            if name in self._peaks:
                self._peaks[name] = PeakRecord.restore(base64.b64decode(plain))
        await self._see_again()

    async def _see_again(self) -> None:
        """Show what the cards last said, and watch what was cut off between the history and the ledger."""
        estate, present, taken = self._estate, self._present, _Taken()
        read = await last_readings(estate, self._history, self.learning, self.state, self._clock)
        present.readings |= read
        present.silences |= last_silences(self.state, estate)
        for reading in cut_off(read.values(), self.state, estate):
            self._watch_sample(reading, taken)
        until = last_moment(read.values(), self.state)
        if until is not None:
            taken.changes += self._watch(Tick(until))
        for system in estate.systems:
            if any((m := self.state.units.get(u.id)) and m.on_battery for u in estate.units_of(system)):
                taken.changes += self._judge(system)
        await self._keep(taken)
        self._show(taken.changes)

    async def run(self) -> None:
        """Process batches until cancelled. A bug in here ends the daemon: it is shared by all."""
        while True:
            batch = [await self.queue.get()]
            while len(batch) < LARGEST_BATCH and not self.queue.empty():
                batch.append(self.queue.get_nowait())
            await self.process(batch)

    async def tick(self) -> None:
        """Tell the watch the time once a second, until cancelled."""
        due_s = self._clock.monotonic_s()
        while True:
            await self._clock.sleep_until(due_s)
            await self.queue.put(Tick(stamp(self._clock)))
            due_s = max(due_s + 1.0, self._clock.monotonic_s())

    async def ask(self, action: OperatorAction | WorkBegins | WorkCloses) -> str | None:
        """Carry out what somebody did or said; return why it was refused, or None once it is safe."""
        asked = Asked(action, asyncio.get_running_loop().create_future())
        await self.queue.put(asked)
        return await asked.done

    async def process(self, batch: Sequence[Given | Asked]) -> None:
        """Take in one batch, commit what came of it, then show it."""
        taken = _Taken()
        for given in batch:
            self._take(given, taken)
        for system in taken.touched:
            taken.changes += self._judge(system)
            taken.changes += self._follow(system)
        await self._keep(taken)
        self._show(taken.changes)
        for bank in {line.bank for line in taken.evidence if self.keeper.discharging(line.bank) is None}:
            self.on_discharged(bank)
        for one, refusal in taken.asked:
            if not one.done.done():
                one.done.set_result(refusal)
        self.batches += 1
        self._present.changed()

    async def _keep(self, taken: _Taken) -> None:
        """Write a batch and what an ailing disk has made wait before it; what cannot be written waits on.

        A full or failing disk is no reason to stop watching: alarms go on being judged and shown, and
        are written and told as soon as the disk takes them. Any other fault of a store ends the daemon.
        """
        waiting = self._waiting
        waiting.join(taken)
        try:
            if waiting.records:
                await self._history.append(waiting.records)
                waiting.records.clear()
            await self._commit(waiting)
            if waiting.changes:
                self.on_kept()
            await self._keep_events(waiting.evidence)
        except StoreError as error:
            if error.fault not in PASSING:
                raise
            self.trouble = str(error)
            del waiting.records[:-MOST_WAITING]
            return
        self._waiting = _Taken()
        self.trouble = None

    async def _keep_events(self, evidence: Sequence[Evidence]) -> None:
        """Have the exact readings around each ended discharge kept for ever."""
        for line in evidence:
            if line.until is not None:
                for unit in self._estate.banks[line.bank].feeds:
                    await self._history.keep_exact(
                        unit, line.at - AROUND_EVENTS, line.until + AROUND_EVENTS, line.kind
                    )

    def _take(self, given: Given | Asked, taken: _Taken) -> None:
        if isinstance(given, Answer):
            self._take_answer(given, taken)
        elif isinstance(given, HoldUpJudgement):
            self._judged[given.system] = self._present.hold_ups[given.system] = given
            self._countdowns.take(given)
            taken.touched[given.system] = None
        elif isinstance(given, BankJudgement):
            self._present.banks[given.state.id] = given.state
            if self.judging is not None:
                self.judging.believe(given.belief)
            taken.judgements.append(given)
            taken.changes += self._watch(BankJudged(stamp(self._clock), given.state))
        elif isinstance(given, Asked):
            taken.asked.append((given, self._carried_out(given.action, taken)))
        elif isinstance(given, PlannedWork):
            taken.changes += self._watch(replace(given, windows=self.works.planned(given.windows)))
        else:
            taken.changes += self._watch(given)
            if isinstance(given, Tick) and self.plans is not None:
                for system in self.plans.waiting():
                    taken.changes += self._follow(system)

    def _carried_out(self, action: OperatorAction | WorkBegins | WorkCloses, taken: _Taken) -> str | None:
        """Carry out what somebody did or said; return why it cannot be done, or None."""
        if isinstance(action, OperatorAction):
            found = self._watch(action)
            taken.changes += found
            return next((change.why for change in found if isinstance(change, Refused)), None)
        refusal, events = self.works.say(action)
        if refusal is None:
            taken.changes += (*events, *self._watch(self._planned_anew()))
            taken.touched[self._estate.units[action.unit].system] = None
        return refusal

    def _planned_anew(self) -> PlannedWork:
        """Return planned work as it is after somebody's word; what is there no more ends now."""
        now = stamp(self._clock)
        left = self.works.planned(self.state.windows)
        kept = {window.id for window in left}
        ended = (replace(w, end=now.at) for w in self.state.windows if w.id not in kept and w.end > now.at)
        return PlannedWork(now, (*left, *ended))

    def _take_answer(self, answer: Answer, taken: _Taken) -> None:
        for record, sample in self._samples(answer):
            taken.records.append(record)
            self._watch_sample(sample, taken)
            self._present.keep(sample)
            taken.touched[self._estate.units[sample.unit].system] = None
            if isinstance(sample, Reading):
                taken.changes += self.transfers.take(sample, self.state.incidents)
                taken.evidence += self.keeper.take(sample)
                if self.judging is not None:
                    self.judging.carry(sample)

    def _watch_sample(self, sample: Sample, taken: _Taken) -> None:
        changes = self._watch(sample)
        taken.changes += changes
        taken.changes += self.aftermath.take(sample, changes, self.state.incidents)

    async def keep_open(self) -> None:
        """Keep what is still under way, for a clean stop; a full disk hinders no stop."""
        try:
            async with self._ledger.transaction() as tx:
                for line in self.keeper.flush():
                    tx.save_evidence(line)
                self.aftermath.save(tx, self._clock.now())
                self.transfers.save(tx, self._clock.now())
                self.works.save(tx, self._clock.now())
                tx.save_snapshot(self._peaks_snapshot())
        except StoreError as error:
            if error.fault not in PASSING:
                raise

    # --- the steps ----------------------------------------------------------------------------------------

    def _watch(self, given: Input) -> tuple[Change, ...]:
        self.state, changes = step(self.state, given, self._book)
        return changes

    def _samples(self, answer: Answer) -> Iterable[tuple[WireReading, Sample]]:
        """Return what is kept and what is meant, for the unit a card speaks for.

        A card that covers several units speaks under the first of them.
        """
        card = self._estate.cards[answer.card]
        unit = card.covers[0]
        corrections = self.learning.corrections_id(card.id)
        if answer.fault is not None:
            kept = WireReading(unit, answer.stamp, answer.period_s, corrections, silence=answer.fault)
            return [(kept, Fault(unit, answer.stamp, answer.fault))]
        if answer.wire is None:
            why = answer.silence or "no answer"
            kept = WireReading(unit, answer.stamp, answer.period_s, corrections, silence=why)
            return [(kept, Silence(unit, answer.stamp, why))]
        state = self._wire.get(card.id, WireState()).after(answer.wire, answer.stamp.at)
        self._wire[card.id] = state
        kept = WireReading(unit, answer.stamp, answer.period_s, corrections, as_kept(answer.wire))
        try:
            reading = self.learning.interpret(card.id, unit, answer.stamp, state)
            return [(replace(kept, corrections=self.learning.corrections_id(card.id)), reading)]
        except Exception as error:  # noqa: BLE001 - the boundary: one card's values must not stop the others
            return [(kept, Fault(unit, answer.stamp, f"{type(error).__name__}: {error}"))]

    def _judge(self, system: str) -> tuple[Change, ...]:
        """Bring a system's state up to date, and tell the watch."""
        view = self._view(system)
        judged = self._judged.get(system)
        seen = glance(view, judged)
        self._peaks[system].add(view.now.at, seen.parallel.load)
        open_now = [w for w in self.state.windows if w.id in self.state.windows_open]
        work, events = self.works.take(seen, judged, open_now, view.now.at)
        state = replace(system_state(view, seen, judged), work=work)
        self._present.systems[system] = state
        self._pace(system, urgent=bool(seen.on_battery or seen.in_test))
        if self.judging is not None:
            self.judging.look(view, seen)
        return (*events, *self._watch(SystemJudged(view.now, state)))

    def _follow(self, system: str) -> tuple[Change, ...]:
        """Look at a system's signed shutdown, and tell the watch."""
        if self.plans is None:
            return ()
        looked, events = self.plans.look(system, stamp(self._clock))
        return events if looked is None else (*events, *self._watch(looked))

    def _view(self, system: str) -> SystemView:
        units = [unit.id for unit in self._estate.units_of(system)]
        present = self._present
        return SystemView(
            estate=self._estate,
            system=system,
            readings={unit: present.readings[unit] for unit in units if unit in present.readings},
            silences={unit: present.silences[unit] for unit in units if unit in present.silences},
            now=stamp(self._clock),
            peaks=self._peaks_of(system),
            isolated=isolated_units(self.state).intersection(units),
            coldest_c={
                bank.id: self.coldest_c[bank.id]
                for bank in self._estate.banks_of_system(system)
                if bank.id in self.coldest_c
            },
            poll_s={unit: self._poll_s(unit) for unit in units},
            on_battery_since=self._on_battery_since(system),
            seen_steps=self.aftermath.seen_steps(system),
            shed=present.sheds.get(system),
            partner=self._partner(system),
            before=self._findings_before(system),
            last_call=self.transfers.found(system),
            told=self._countdowns.told(system),
        )

    def _findings_before(self, system: str) -> tuple[Finding, ...]:
        """Return what set the system's units apart at the last look, also one before a restart."""
        known = self.state.systems.get(system)
        return () if known is None else known.findings

    def _partner(self, system: str) -> PartnerLoad | None:
        """Return what is known of the system whose load this one must be able to take."""
        name = self._estate.systems[system].partner
        if name is None:
            return None
        state = self._present.systems.get(name)
        load = None if state is None else state.load
        return PartnerLoad(name, self._estate.systems[name].name, load, self._peaks_of(name))

    def _on_battery_since(self, system: str) -> datetime | None:
        """Return since when a system is on its banks, as far as that was known before this judgement.

        Right after a start it is what the watch remembers: a card that does not count must not make an outage
        young again.
        """
        before = self._present.systems.get(system) or self.state.systems.get(system)
        return None if before is None or before.on_battery is None else before.on_battery.since

    def load_record(self, system: str) -> PeakRecord:
        """Return the record of a system's load."""
        return self._peaks[system]

    def _peaks_of(self, system: str) -> Peaks:
        """Return a system's peaks, reckoned anew at most once a minute: they are of five minutes and more."""
        now_s = self._clock.monotonic_s()
        known = self._peaks_seen.get(system)
        if known is None or now_s - known[0] >= PEAKS_ANEW_S:
            known = self._peaks_seen[system] = (now_s, self._peaks[system].peaks(self._clock.now()))
        return known[1]

    def _poll_s(self, unit: str) -> float:
        card = self._estate.card_of(unit)
        poller = self.pollers.get(card.id) if card is not None else None
        return 5.0 if poller is None else poller.period_s

    def _pace(self, system: str, *, urgent: bool) -> None:
        """Read the cards of a system fast while it is on battery or in a test."""
        for unit in self._estate.units_of(system):
            card = self._estate.card_of(unit.id)
            poller = self.pollers.get(card.id) if card is not None else None
            if poller is not None and poller.urgent != urgent:
                poller.urgent = urgent
                if urgent:
                    poller.poke()

    async def _commit(self, taken: _Taken) -> None:
        now_s = self._clock.monotonic_s()
        keep_peaks = now_s - self._peaks_kept_s >= KEEP_PEAKS_EVERY_S
        done = [one for one, refusal in taken.asked if refusal is None]
        due = keep_peaks or self.learning.due or self.aftermath.due or self.transfers.due or self.works.due
        due = due or (self.plans is not None and self.plans.due)
        state = self.state
        unkept = self._watch_kept.unkept(state)
        told = self._countdowns.unkept(self._present.systems)
        due = bool(due or unkept or told)
        if not (taken.changes or done or taken.evidence or taken.judgements or due):
            return
        async with self._ledger.transaction() as tx:
            for change in taken.changes:
                save_change(tx, change)
            for line in taken.evidence:
                tx.save_evidence(line)
            for judged in taken.judgements:
                tx.add_judgement(judgement_line(judged))
            for one in done:
                tx.add_action(action_line(one.action))
            self.learning.save(tx, self._clock.now())
            self._enqueue(tx, taken.changes)
            self.aftermath.save(tx, self._clock.now())
            self.transfers.save(tx, self._clock.now())
            self.works.save(tx, self._clock.now())
            if self.plans is not None:
                self.plans.save(tx)
            self._watch_kept.save(tx, state, unkept, self._clock.now())
            self._countdowns.save(tx, told, self._clock.now())
            if keep_peaks:
                tx.save_snapshot(self._peaks_snapshot())
        self.aftermath.due = self.transfers.due = self.works.due = False
        if self.plans is not None:
            self.plans.committed()
        self._watch_kept.kept(state)
        self._countdowns.kept(told)
        if keep_peaks:
            self._peaks_kept_s = now_s

    def _peaks_snapshot(self) -> Snapshot:
        plain = {name: base64.b64encode(r.snapshot()).decode() for name, r in self._peaks.items()}
        return Snapshot(PEAKS, self._clock.now(), "peaks/1", plain)

    def _show(self, changes: Sequence[Change]) -> None:
        self._present.alarms = dict(self.state.alarms)
        for change in changes:
            if isinstance(change, PollNow):
                for unit in change.units:
                    card = self._estate.card_of(unit)
                    if card is not None and card.id in self.pollers:
                        self.pollers[card.id].poke()


def judgement_line(judged: BankJudgement) -> JudgementLine:
    """Return a bank's judgement as the ledger keeps it: what was said, of what input, with what seed."""
    body = {"state": to_plain(judged.state)}
    return JudgementLine(f"bank {judged.state.id}", judged.as_of, judged.digest, judged.seed, "bank/1", body)


def action_line(action: OperatorAction | WorkBegins | WorkCloses) -> Action:
    """Return what somebody did or said as the ledger keeps it."""
    if isinstance(action, WorkBegins):
        body = {"until": action.until.isoformat()}
        return Action(action.at, action.by, "work_begins", action.unit, action.note, body=body)
    if isinstance(action, WorkCloses):
        return Action(action.at, action.by, "work_closes", action.unit, action.note)
    body = {} if action.until is None else {"until": action.until.isoformat()}
    return Action(
        action.stamp.at,
        action.who,
        action.deed.value,
        action.alarm,
        action.why,
        alarm=action.alarm,
        body=body,
    )


def board_lines(estate: Estate, system: str) -> tuple[int, ...]:
    """Return the board lines that a system's units feed, in order."""
    units = estate.units_of(system)
    return tuple(sorted({line for unit in units for line in unit.line_order[: unit.output_lines]}))
