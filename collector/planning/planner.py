"""Answers questions about plans, on what is known now: ride-through, shedding, isolation, sizes, dates.

What is costly is asked of the judging process, behind the judgements; at most `AT_ONCE` questions wait,
the next one is refused rather than kept. What is cheap is answered at once.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime, timedelta
from functools import partial
from itertools import count
from typing import Final, Protocol, TypeVar

from collector.cards.commissioning.confirmations import CONFIRMATION, confirmed
from collector.planning.played_before import PlayedBefore
from collector.planning.replacement_programme import ReplacementProgramme
from collector.process.clock import Clock, stamp
from collector.recorder.current_state import Present
from collector.recorder.system_views import read_since
from collector.storage.ledger import Ledger
from rules.battery.model.health import BankBelief
from rules.battery.model.size_factors import DESIGN_MARGIN
from rules.phrasing.figures import listed
from rules.planning.isolation.check import Isolation, isolation
from rules.planning.isolation.rows import REMINDERS, Confirmed, Facts
from rules.planning.ridethrough.load_ahead import LoadAhead, load_ahead
from rules.planning.ridethrough.outcome import cautions
from rules.planning.ridethrough.remedy import played_each
from rules.planning.ridethrough.result import Ridethrough
from rules.planning.ridethrough.scenario import Scenario, refuse_strangers
from rules.planning.ridethrough.shed_now import plan_now
from rules.planning.ridethrough.shedding import SheddingPlan, shedding_plan
from rules.planning.ridethrough.shutdown import Shutdown, Way, way, with_set, without_set
from rules.planning.sizing.replacement import LoadRecord, Sizes, next_size, wanted_of
from rules.planning.sizing.units import SizeWanted
from rules.plant.estate import Estate, LoadGroup
from rules.statistics.trend import MarginTrend, margin_trend
from rules.system.assessment import task_of
from rules.system.hold_up.judgement import HoldUpJudgement, hold_ups
from rules.system.hold_up.sampling import SEED
from rules.system.hold_up.task import HoldUpTask, without
from rules.system.load.quarters import quarters_between
from rules.system.load.record import MEAN_OVER_S, PeakRecord
from rules.system.load.step import line_steps, since_step
from rules.system.load.usual import Expected
from rules.system.observation import SystemObservation, SystemView, glance
from rules.system.parallel import FEEDING
from rules.system.redundancy import daily_margins, limits_with_spares_gone
from rules.values.reason import Reason, told
from rules.values.severity import Severity

AT_ONCE: Final = 4
PLAN_SEED: Final = SEED
"""Plans are drawn as the hold-up is: two differ by what they ask, never by chance, and none contradicts a report."""
WORK: Final = timedelta(hours=4)
"""How long work on a unit is taken to last where nobody says."""
AHEAD: Final = timedelta(days=7)

T = TypeVar("T")
Believed = Callable[[Collection[str]], Mapping[str, BankBelief]]
"""Gives what is believed of those banks that may be spoken of."""
ToShed = tuple[HoldUpTask, Mapping[str, BankBelief], list[LoadGroup]]


class Busy(Exception):  # noqa: N818 - it says how things stand
    """As many questions wait as may; ask again in a moment."""


class NotYet(Exception):  # noqa: N818 - it says how things stand
    """The system has not been read since the start."""


class Asks(Protocol):
    """The judging process, as far as plans need it."""

    async def ask(
        self, key: str, function: Callable[..., T], *arguments: object, about: str | None = None
    ) -> T:
        """Return what the function gives."""
        ...


class Planner:
    """The questions about plans.

    `seen`: a system's last view and glance, None before the first. `record`: its load's record. `beliefs`: what is
    believed of banks now, `beliefs_in_outage` of those that carry. `ledger` keeps how jobs stood. `set_tested`: when a generator last ran on load long enough to count as a test.
    """

    def __init__(
        self,
        estate: Estate,
        worker: Asks,
        clock: Clock,
        present: Present,
        *,
        seen: Callable[[str], tuple[SystemView, SystemObservation] | None],
        record: Callable[[str], PeakRecord],
        beliefs: Believed,
        ledger: Ledger,
        set_tested: Callable[[str], datetime | None] = lambda _name: None,
        beliefs_in_outage: Believed | None = None,
    ) -> None:
        self._beliefs_in_outage = beliefs_in_outage or beliefs
        self._estate = estate
        self._worker = worker
        self._clock = clock
        self._present = present
        self._seen = seen
        self._record = record
        self._beliefs = beliefs
        self._ledger = ledger
        self.jobs = ReplacementProgramme(estate, clock, present, ledger, set_tested)
        """The replacement and service programme, and its calendar."""
        self._numbers = count(1)
        self._waiting = 0
        self._proven: tuple[tuple[int, int], dict[str, Confirmed]] | None = None
        self._expected: dict[str, tuple[tuple[range, int], tuple[Expected, ...]]] = {}
        self._unit_out = PlayedBefore[HoldUpJudgement]()
        self._mains_off = PlayedBefore[list[Ridethrough]]()

    def _look(self, system: str) -> tuple[SystemView, SystemObservation]:
        found = self._seen(system)
        if found is None:
            raise NotYet(system)
        view = read_since(found[0], self._present, stamp(self._clock))
        return view, glance(view, self._present.hold_ups.get(system))

    def _groups(self, system: str) -> dict[str, LoadGroup]:
        return {g.id: g for g in self._estate.load_groups.values() if g.system == system}

    def _believed(self, task: HoldUpTask) -> dict[str, BankBelief]:
        state = self._present.systems.get(task.system)
        lit = state is not None and state.on_battery is not None
        beliefs = self._beliefs_in_outage if lit else self._beliefs
        return dict(beliefs([bank.id for bank in task.banks]))

    @contextmanager
    def _place(self) -> Iterator[None]:
        if self._waiting >= AT_ONCE:
            raise Busy
        self._waiting += 1
        try:
            yield
        finally:
            self._waiting -= 1

    async def _ask(self, function: Callable[..., T], *arguments: object) -> T:
        with self._place():
            return await self._worker.ask(f"plan {next(self._numbers)}", function, *arguments, about="plan")

    async def ridethrough(
        self, system: str, scenario: Scenario, starts_at: datetime | None = None
    ) -> Ridethrough:
        """Return a scenario played out, on the load now, or on that on record for the hour it starts at.

        Raises NotYet, Busy, and ValueError for units or groups unknown.
        """
        (found,) = await self._rides(system, [scenario], starts_at)
        return found

    async def _rides(
        self,
        system: str,
        scenarios: Sequence[Scenario],
        starts_at: datetime | None,
        beside: Sequence[Scenario] = (),
        *,
        again: bool = False,
    ) -> list[Ridethrough]:
        """Return scenarios played out; `again`: what was played when this was asked last stands, if nothing moved since.

        Those `beside` are played in the same question, without what would carry them: most of the cost is to find that.
        """
        scenarios = (*scenarios, *beside)
        view, seen = self._look(system)
        task, groups = task_of(view, seen), self._groups(system)
        for scenario in scenarios:
            refuse_strangers(task, scenario, groups)
        generator, units = self._estate.generator_of(system), self._estate.units_of(system)
        asked = [(s, self._ahead(system, s, starts_at)) for s in scenarios]
        believed, played = self._believed(task), None
        again = again and not seen.on_battery
        if again:
            task = self._mains_off.steadied(system, task)
            played = self._mains_off.result(system, task, believed, asked)
        if played is None:
            played = await self._ask(
                played_each,
                task,
                believed,
                asked,
                generator,
                units,
                groups,
                PLAN_SEED,
                len(scenarios) - len(beside),
            )
            if again:
                self._mains_off.keep(system, task, believed, played, asked)
        care = cautions(seen.on_battery, seen.in_test)
        return [replace(result, assumptions=(*care, *result.assumptions)) for result in played]

    def _ahead(self, system: str, scenario: Scenario, starts_at: datetime | None) -> LoadAhead | None:
        """Return the load on record for a scenario at a named time."""
        if starts_at is None:
            return None
        return load_ahead(
            self._record(system),
            starts_at,
            scenario.outages,
            scenario.generator,
            generator=self._estate.generator_of(system),
            units=self._estate.units_of(system),
        )

    async def shutdown(
        self, system: str, scenario: Scenario, plan: str | None, starts_at: datetime | None = None
    ) -> Shutdown:
        """Return a shutdown as it is meant, with the generator and without it. Raises as `ridethrough` does."""
        return (await self.shutdown_and(system, scenario, plan, starts_at))[0]

    async def shutdown_and(
        self,
        system: str,
        scenario: Scenario,
        plan: str | None,
        starts_at: datetime | None = None,
        beside: Sequence[Scenario] = (),
    ) -> tuple[Shutdown, tuple[Way, ...]]:
        """Return a shutdown as `shutdown` does, and how other scenarios go, all in one question. Raises as `ridethrough` does."""
        view, _ = self._look(system)
        generator, units = self._estate.generator_of(system), self._estate.units_of(system)
        ways = [scenario] if generator is None else [scenario, with_set(scenario), without_set(scenario)]
        fresh = list(dict.fromkeys(ways))
        played = await self._rides(system, fresh, starts_at, beside, again=starts_at is None and not beside)
        gone = [way(result, w, generator, units) for w, result in zip((*fresh, *beside), played, strict=True)]
        found = dict(zip(fresh, gone, strict=False))
        shutdown = Shutdown(
            system,
            view.now.at,
            scenario,
            planned=found[scenario],
            with_set=found.get(with_set(scenario)) if generator is not None else None,
            without_set=found[scenario if generator is None else without_set(scenario)],
            plan=plan,
        )
        return shutdown, tuple(gone[len(fresh) :])

    async def shedding(
        self, system: str, wanted_s: float, units_out: frozenset[str], at_s: float
    ) -> SheddingPlan:
        """Return what to shed to hold for `wanted_s`. Raises NotYet and Busy."""
        shed = partial(shedding_plan, units_out=units_out, at_s=at_s, seed=PLAN_SEED)
        return await self._ask(shed, *self.to_shed(system), wanted_s)

    async def shed_now(self, system: str, wanted_s: float, before: int) -> SheddingPlan:
        """Return what to shed at once where so many steps were advised `before`. Raises NotYet and Busy."""
        return await self._ask(plan_now, *self.to_shed(system), wanted_s, before, PLAN_SEED)

    def to_shed(self, system: str) -> ToShed:
        """Return what a shedding plan of a system is made of. Raises NotYet."""
        task = task_of(*self._look(system))
        return task, self._believed(task), list(self._groups(system).values())

    async def isolation(self, system: str, unit: str, from_at: datetime, to_at: datetime) -> Isolation:
        """Return whether a unit may be taken out. Raises NotYet, Busy, and ValueError as `isolation` does."""
        view, seen = self._look(system)
        until = max(to_at, self._clock.now() + AHEAD)
        expected = self._expected_load(system, min(from_at, until), until)
        facts = Facts(expected=expected, confirmed=await self._proofs(), alarms=self._alarms(system))
        facts = replace(facts, on_banks_until=self._present.lit_at.get(system))
        judged = self._present.hold_ups.get(system)
        task = None
        if to_at > from_at and any(one.id == unit for one in self._estate.units_of(system)):  # else: refused
            task = without(task_of(view, seen), unit, [e for e in expected if from_at <= e.at < to_at])
        if task is None:
            return isolation(view, seen, judged, unit, from_at, to_at, facts)
        task, believed = self._unit_out.steadied(unit, task), self._believed(task)
        out = self._unit_out.result(unit, task, believed)
        if out is None:
            out = await self._ask(_hold, task, believed)
            self._unit_out.keep(unit, task, believed, out)
        return isolation(view, seen, judged, unit, from_at, to_at, replace(facts, out_judged=out))

    def _expected_load(self, system: str, from_at: datetime, until: datetime) -> tuple[Expected, ...]:
        """Return what a system's record expects: all its units are asked about in the same quarter of an hour."""
        record = self._record(system)
        asked = (quarters_between(from_at, until), record.version)
        known = self._expected.get(system)
        if known is None or known[0] != asked:
            known = self._expected[system] = (asked, record.expected(from_at, until))
        return known[1]

    async def _proofs(self) -> dict[str, Confirmed]:
        """Return who proved which card; `ridethrough confirm` writes to the same ledger."""
        mark = await self._ledger.proofs_mark()
        if self._proven is None or self._proven[0] != mark:
            facts = await self._ledger.facts(schema=CONFIRMATION)
            equipment = await self._ledger.equipment()
            self._proven = (mark, confirmed(self._estate, facts, equipment))
        return self._proven[1]

    def _alarms(self, system: str) -> tuple[Reason, ...]:
        """Return what stands about a system and its parts, the gravest first; a warning forbids no work, nor does a reminder.

        Of those alike what is about units and what they carry comes before what is about banks.
        """
        units = {unit.id for unit in self._estate.units_of(system)}
        about = {system, *units}
        about |= {bank.id for bank in self._estate.banks_of_system(system)}
        about |= {card.id for unit in units if (card := self._estate.card_of(unit)) is not None}
        found = [
            a
            for a in self._present.alarms.values()
            if a.about in about
            and a.state.active
            and a.severity is not Severity.WARNING
            and a.kind not in REMINDERS
            and not a.over  # what only waits out its off-delay is over
        ]
        banks = self._estate.banks
        found.sort(key=lambda a: (-a.severity.rank, a.about in banks))
        return tuple(a.what or told(a.kind) for a in found)

    async def sizes(
        self,
        system: str,
        wanted: SizeWanted | None = None,
        *,
        required_s: float | None = None,
        bank_margin: float = DESIGN_MARGIN,
    ) -> Sizes | None:
        """Return what size comes next; None without a record of the load on every line. Raises NotYet."""
        view, seen = self._look(system)
        record, now, limits = self._record(system), self._clock.now(), self._limits(system)
        ask = partial(
            next_size,
            self._estate,
            system,
            today=now.date(),
            wanted=wanted or wanted_of(self._estate, system),
            state=self._present.systems.get(system),
            coldest_c=task_of(view, seen).coldest_c,
            required_s=required_s,
            bank_margin=bank_margin,
        )
        days = record.days()

        def sized() -> Sizes | None:
            since = {line: step.since for line, step in line_steps(days).items()}
            return ask(record=LoadRecord(record.histories(now, since), days, limits))

        return await asyncio.to_thread(sized)  # years of days: some tens of ms

    def size_waits(self, system: str) -> str:
        """Return what a size waits for and how far that is: which lines have no mean on record yet, and by when."""
        record, now = self._record(system), self._clock.now()
        have = {history.line for history in record.histories(now)}
        lacking = [f"L{line}" for line in record.lines if line not in have]
        whole = timedelta(seconds=MEAN_OVER_S)
        since = datetime.fromtimestamp(now.timestamp() // MEAN_OVER_S * MEAN_OVER_S, now.tzinfo)
        return (
            f"A mean of the load over {MEAN_OVER_S // 60} whole minutes is needed on every line, in W and in VA; "
            f"{listed(lacking)} {'has' if len(lacking) == 1 else 'have'} none on record yet. What is read now makes the first by "
            f"{since + 2 * whole:%H:%M} UTC; what was read before this start is read back meanwhile."
        )

    async def margin(self, system: str) -> MarginTrend:
        """Return how a system's redundancy margin moves, and when it is gone. Raises NotYet."""
        limits, days = self._limits(system), self._record(system).days()

        def since() -> MarginTrend:
            counted, step = since_step(days)
            found = margin_trend(daily_margins(counted, limits))
            return found if step is None else replace(found, because=(step.reason, *found.because))

        return await asyncio.to_thread(since)

    def _limits(self, system: str) -> Mapping[int, tuple[float, float]]:
        """Return what each line may be asked with the spare units gone, W and VA. Raises NotYet."""
        view, seen = self._look(system)
        able = seen.parallel.with_standing(FEEDING)
        try:
            return limits_with_spares_gone(seen.views, able, self._estate.systems[view.system].spare_units)
        except ValueError:
            return {}


def _hold(task: HoldUpTask, beliefs: Mapping[str, BankBelief]) -> HoldUpJudgement:
    return hold_ups(task, beliefs, PLAN_SEED)
