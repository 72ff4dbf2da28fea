"""One line through which everything passes: answers of cards, judgements, time, what operators do.

Each batch goes to the watch (`rules.monitor`), which says what changed. Then the readings go into the
history, and the changes, the watch's state and the messages they cause into the ledger, in one
transaction; only after that are they shown and sent. A kill in between loses at most the batch in flight,
and the next start goes on from the state that was committed.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import timedelta
from types import MappingProxyType
from typing import Final

from collector.cards.polling.poller import Answer
from collector.cards.polling.urgency import PollUrgency
from collector.process.clock import Clock, late_move, moved_since, stamp
from collector.process.task_cancellation import to_its_end
from collector.recorder.batch import (
    BatchResult,
    ClockSet,
    Doing,
    PendingCommand,
    RecorderInput,
    in_turns,
)
from collector.recorder.commit import Enqueue, Keeping
from collector.recorder.current_state import Present
from collector.recorder.monitor_state import WatchKeeping
from collector.recorder.parts import Consumer, FollowedPlans, RecorderParts
from collector.recorder.persistent import PersistentState
from collector.recorder.punctuality import Punctuality
from collector.recorder.samples import Samples
from collector.recorder.skip_judging import Calm
from collector.recorder.startup import cut_off, last_moment, last_readings, last_silences, seen_again
from collector.recorder.system_views import Views
from collector.storage.history.store import HistoryStore
from collector.storage.ledger import Ledger
from rules.alarms.conditions.service import SERVICE
from rules.alarms.events import PowerEvent
from rules.alarms.windows import Window
from rules.battery.assessment.bank import BankJudgement
from rules.monitor.clock_moved import moved
from rules.monitor.inputs import BankJudged, Input, OperatorAction, PlannedWork, SystemJudged, Tick
from rules.monitor.live import Live
from rules.monitor.outputs import Change, RefusedCommand
from rules.monitor.state import Book, WatchState
from rules.monitor.step import advance
from rules.phrasing.reasons import say
from rules.plant.reading import Reading, Sample
from rules.system.answered import dated_anew
from rules.system.hold_up.judgement import HoldUpJudgement
from rules.system.observation import glance
from rules.values.code import Code
from rules.values.reason import reason

NONE_KNOWN: Final[Mapping[str, float]] = MappingProxyType({})


class Recorder:
    """Takes what comes, in order, and has it judged, kept and shown."""

    def __init__(  # noqa: PLR0917 - two stores, what is declared and shown, and the parts
        self,
        book: Book,
        clock: Clock,
        history: HistoryStore,
        ledger: Ledger,
        present: Present,
        parts: RecorderParts,
        *,
        consumers: Sequence[Consumer] = (),
        plans: Sequence[FollowedPlans] = (),
        coldest_c: Mapping[str, float] = NONE_KNOWN,
        enqueue: Enqueue = lambda _tx, _changes: None,
        on_kept: Callable[[], None] = lambda: None,
        on_discharged: Callable[[str], None] = lambda _bank: None,
        on_clock_moved: Sequence[Callable[[timedelta], None]] = (),
    ) -> None:
        """Make a recorder of its `parts`.

        `coldest_c`: the coldest each bank gets, by bank, as whoever gathers the banks' months fills it in. `on_kept` is
        called at once after a commit that holds changes, `on_discharged` with a bank of which something new is known,
        `on_clock_moved` when the time of day was set, with by how much.
        """
        estate = book.estate
        self.queue = parts.queue
        self.pollers = parts.pollers
        self.learning = parts.learning
        self.trackers = trackers = parts.trackers
        self.batches = 0
        self.watch = Live(book)
        self._watch_kept = WatchKeeping()
        self._persistent = PersistentState((self._watch_kept, parts.learning, *trackers.persistent, *plans))
        self.keeping = Keeping(history, ledger, clock, self._persistent, enqueue, on_kept)
        self.pace = PollUrgency(estate, self.pollers)
        self.punctuality = Punctuality(estate, self.pollers, clock, self.queue)
        self.views = Views(estate, clock, present, trackers, self.pace, self.punctuality, coldest_c)
        self.calm = Calm(estate, book.catalogue, clock, self.pace)
        self._consumers = consumers
        self._plans = plans
        self._on_discharged = on_discharged
        self._on_clock_moved = on_clock_moved
        self._samples = Samples(estate, self.learning)
        self._book = book
        self._estate = estate
        self._clock = clock
        self._history = history
        self._ledger = ledger
        self._present = present
        self._judged: dict[str, HoldUpJudgement] = {}

    @property
    def state(self) -> WatchState:
        """Return the watch's state as it is now."""
        return self.watch.value()

    # --- the line ------------------------------------------------------------------------------------------

    async def run(self) -> None:
        """Process batches until cancelled, the last one to its end. A bug in here ends the daemon: it is shared by all."""
        while True:
            batch = await self.queue.batch()
            # half a batch must not be kept: what is remembered would be ahead of the journal
            await to_its_end(asyncio.ensure_future(self.process(batch)))
            self.queue.finished(len(batch))

    async def tick(self) -> None:
        """Tell the watch the time once a second, until cancelled; and that the machine's clock was set."""
        due_s = self._clock.monotonic_s()
        while True:
            await self._clock.sleep_until(due_s)
            await self.queue.put(ClockSet() if self._clock.was_set() else Tick(stamp(self._clock)))
            due_s = max(due_s + 1.0, self._clock.monotonic_s())

    async def ask(self, action: Doing) -> str | None:
        """Carry out what somebody did or said; return why it was refused, or None once it is safe."""
        asked = PendingCommand(action, asyncio.get_running_loop().create_future())
        await self.queue.put(asked)
        return await asked.done

    async def process(self, batch: Sequence[RecorderInput | PendingCommand]) -> None:
        """Take in one batch, commit what came of it, then show it.

        Others run between its parts, and nothing else is taken in until it is shown.
        """
        taken, began_s = BatchResult(), self._clock.monotonic_s()
        async for given in in_turns(batch):
            self._take(given, taken)
        for system in taken.rested.keys() - taken.touched.keys():
            self._rest(system, taken)
        async for system in in_turns(taken.touched):
            taken.changes += self._judge(system, self._consumers)
            taken.changes += self._follow(system)
        await self._keep(taken)
        under_way = self.trackers.discharges.discharging
        for bank in {line.bank for line in taken.evidence if under_way(line.bank) is None}:
            self._on_discharged(bank)
        for one, refusal in taken.asked:
            if not one.done.done():
                one.done.set_result(refusal)
        self.batches += 1
        self._present.changed()
        self.punctuality.shown((one for one in batch if isinstance(one, Answer)), began_s)

    async def restore(self) -> None:
        """Go on from what the stores hold: the watch's state, discharges under way, the peaks, what was last seen."""
        await self._persistent.restore(self._ledger)
        state = self._watch_kept.state
        read = await last_readings(self._estate, self._history, self.learning, state, self._clock)
        lost = cut_off(read.values(), state, self._estate)
        anew = {reading.unit for reading in lost}  # these the watch is about to see
        rest = [reading for unit, reading in read.items() if unit not in anew]
        self.watch = Live.of(seen_again(state, rest), self._book)
        for name, alarm in self.watch.alarms.items():
            self._present.show_alarm(name, alarm)
        await self._see_again(read, lost)

    async def _see_again(self, read: Mapping[str, Reading], lost: Sequence[Reading]) -> None:
        """Show what the cards last said, and watch what was cut off between the history and the ledger (`lost`)."""
        estate, present, taken, state = self._estate, self._present, BatchResult(), self.watch.now
        for reading in read.values():
            present.keep(reading)
        present.silences |= last_silences(state, estate)
        for reading in lost:
            self._watch_sample(reading, taken)
        until = last_moment(read.values(), self.watch.now)
        if until is not None:
            taken.changes += self._watch(Tick(until))
        for system in estate.systems:
            if any((m := self.watch.units.get(u.id)) and m.on_battery for u in estate.units_of(system)):
                taken.changes += self._judge(system)
        await self._keep(taken)

    # --- what is taken in ----------------------------------------------------------------------------------

    def _take(self, given: RecorderInput | PendingCommand, taken: BatchResult) -> None:
        if self._clock.jumps:
            given = self._as_of_now(given)
        if isinstance(given, ClockSet):
            taken.changes += self._take_over(taken)
        elif isinstance(given, Answer):
            self._take_answer(given, taken)
        elif isinstance(given, HoldUpJudgement):
            self._take_hold_up(given, taken)
        elif isinstance(given, BankJudgement):
            self._present.banks[given.state.id] = given.state
            for consumer in self._consumers:
                consumer.believe(given.belief)
            taken.judgements.append(given)
            if given.moved is not None:
                at = self._clock.now()
                taken.changes.append(PowerEvent(at, "bank_dates_moved", given.state.id, given.moved))
            taken.changes += self._watch(BankJudged(stamp(self._clock), given.state))
        elif isinstance(given, PendingCommand):
            taken.asked.append((given, self._carried_out(given.action, taken)))
        elif isinstance(given, PlannedWork):
            taken.changes += self._watch(replace(given, windows=self.trackers.works.planned(given.windows)))
        else:
            taken.changes += self._watch(given)
            if isinstance(given, Tick):
                for system in {system: None for plans in self._plans for system in plans.waiting()}:
                    taken.changes += self._follow(system)

    def _take_hold_up(self, given: HoldUpJudgement, taken: BatchResult) -> None:
        before = self._judged.get(given.system)
        self._judged[given.system] = self._present.hold_ups[given.system] = given
        self.trackers.countdowns.take(given)
        if not dated_anew(given, before):  # else the next reading that is judged takes it along
            taken.touched[given.system] = None

    def _carried_out(self, action: Doing, taken: BatchResult) -> str | None:
        """Carry out what somebody did or said; return why it cannot be done, or None."""
        if isinstance(action, OperatorAction):
            found = self._watch(action)
            taken.changes += found
            return next((say(change.why) for change in found if isinstance(change, RefusedCommand)), None)
        refusal, events = self.trackers.works.say(action)
        if refusal is None:
            taken.changes += (*events, *self._watch(self._planned_anew()))
            taken.touched[self._estate.units[action.unit].system] = None
        return refusal

    def _planned_anew(self) -> PlannedWork:
        """Return planned work as it is after somebody's word; what is there no more ends now."""
        now = stamp(self._clock)
        left = self.trackers.works.planned(self.watch.windows)
        kept = {window.id for window in left}
        ended = (replace(w, end=now.at) for w in self.watch.windows if w.id not in kept and w.end > now.at)
        return PlannedWork(now, (*left, *ended))

    def _take_answer(self, answer: Answer, taken: BatchResult) -> None:
        self.punctuality.takes(answer)
        record, sample = self._samples.of(answer)
        taken.records.append(record)
        system = self._estate.units[sample.unit].system
        if self.calm.rests(sample, self._present.readings, self.watch):
            taken.rested[system] = None
            taken.changes += self.trackers.outages.take(sample, (), self.watch.incidents)
        else:
            for one in (*self.calm.beside(sample), sample):
                taken.touched[self._estate.units[one.unit].system] = None
                self._watch_sample(one, taken)
        self._present.keep(sample)
        if isinstance(sample, Reading):
            taken.changes += self.trackers.transfers.take(sample, self.watch.incidents)
            taken.evidence += self.trackers.discharges.take(sample)
            for consumer in self._consumers:
                consumer.carry(sample)

    def _watch_sample(self, sample: Sample, taken: BatchResult) -> None:
        changes = self._watch(sample)
        taken.changes += changes
        taken.changes += self.trackers.outages.take(sample, changes, self.watch.incidents)

    # --- a clock that was set ------------------------------------------------------------------------------

    def _take_over(self, taken: BatchResult) -> tuple[Change, ...]:
        """Go by the machine's clock again, move along all that was noted until now, and judge everything anew."""
        if not self._clock.was_set():
            return ()  # set, and set back before it was this one's turn
        by = self._clock.take_over()
        taken.clock_moved += by
        self.watch.move_clock(by)
        self._judged = moved(self._judged, by)
        self._present.move_clock(by)
        self._persistent.move_clock(by)
        self._samples.move_clock(by)
        self.calm.forget()
        for poller in self.pollers.values():
            poller.figures.silent_since = moved(poller.figures.silent_since, by)
        for consumer in self._consumers:
            consumer.move_clock(by)
        for tell in self._on_clock_moved:
            tell(by)
        taken.touched |= dict.fromkeys(self._estate.systems)
        what = reason(Code.CLOCK_SET, SERVICE, by_s=by.total_seconds())
        return (PowerEvent(self._clock.now(), "clock_set", SERVICE, what),)

    def _as_of_now(self, given: RecorderInput | PendingCommand) -> RecorderInput | PendingCommand:
        """Return what was noted before the clock was set, and waited meanwhile, as it reads by the clock now."""
        if isinstance(given, PendingCommand):
            action = given.action
            if isinstance(action, OperatorAction) and (by := moved_since(self._clock, action.stamp)):
                return replace(given, action=moved(action, by))
        elif isinstance(given, HoldUpJudgement):
            by = late_move(self._clock, given.as_of) if given.as_of is not None else timedelta()
            return moved(given, by)
        elif not isinstance(given, BankJudgement | ClockSet) and (
            by := moved_since(self._clock, given.stamp)
        ):
            return moved(given, by, but=(Window,))
        return given

    # --- the steps ----------------------------------------------------------------------------------------

    def _watch(self, given: Input) -> tuple[Change, ...]:
        return advance(self.watch, given)

    def _judge(self, system: str, consumers: Sequence[Consumer] = ()) -> tuple[Change, ...]:
        """Bring a system's state up to date, tell the watch, and hand it on."""
        view = self.views.of(system, self.watch.now)
        judged = self._judged.get(system)
        seen = glance(view, judged)
        self.calm.seen(seen)
        self.trackers.loads.add(system, view.now.at, seen.parallel.load)
        state, events = self.views.state_of(view, seen, judged, self.watch.now)
        self._present.show_system(state)
        self.pace.hurry(system, urgent=bool(seen.on_battery or seen.in_test))
        for consumer in consumers:
            consumer.look(view, seen)
        return (*events, *self._watch(SystemJudged(view.now, state)))

    def _rest(self, system: str, taken: BatchResult) -> None:
        """Count what a system carries by readings that say what was judged; judge it where that is no plain sum."""
        load = self.calm.load(system, self._present.readings)
        if load is None:
            taken.touched[system] = None
            return
        self.trackers.loads.add(system, self._clock.now(), load)
        taken.changes += self._follow(system)

    def _follow(self, system: str) -> tuple[Change, ...]:
        """Look at the plans for a system, and tell the watch."""
        changes: list[Change] = []
        for plans in self._plans:
            looked, events = plans.look(system, stamp(self._clock))
            changes += events if looked is None else (*events, *self._watch(looked))
        return tuple(changes)

    async def _keep(self, taken: BatchResult) -> None:
        """Commit what a batch brought, then show it."""
        touched = self.watch.take_touched()
        self._watch_kept.note(touched, self.watch.now)
        await self.keeping.keep(taken)
        for field, name in touched:
            if field == "alarms":
                self._present.show_alarm(name, self.watch.alarms.get(name))
        self.pace.poke(taken.changes)
