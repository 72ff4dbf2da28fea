"""Which readings need not be judged, since nothing at their site moves and they say what was judged a moment ago.

They are decoded, kept, shown and counted like any other; the watch and the judgement of their system look at one in
six (`rules.monitor.calm_bounds`). Nothing rests while anything at the site does: an incident that time or a reading may change,
planned work, a reading that said something new within the last `rules.monitor.calm_bounds.QUIET_S` seconds. A card that has
been silent for long rests likewise while it stays so.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta
from typing import Final

from collector.cards.polling.urgency import PollUrgency
from collector.process.clock import Clock
from rules.alarms.catalogue import AlarmKind
from rules.monitor.calm_bounds import (
    JUDGED_EVERY_S,
    QUIET_S,
    alike,
    load_of,
    may_rest_on,
    shares_far_from,
)
from rules.monitor.live import Live
from rules.plant.estate import Estate, FittedUnit, System, in_place
from rules.plant.reading import Fault, Reading, Sample, Silence
from rules.system.observation import SystemObservation
from rules.system.state import Load

PERIODS: Final = 1.5
"""Of its period, how old the last reading of each unit of the system may be."""
LONG_SILENT: Final = timedelta(minutes=3)
"""From then on time makes nothing more of a silence: its last reading counts for nothing, and every delay has passed."""
TOGETHER_S: Final = 1.0
"""Readings of a system that come within this are of one round: one of them is judged with the others, before it must be."""


@dataclass(frozen=True, slots=True)
class _Judged:
    """The last reading of a unit that was judged. `rests`: ones like it need not be."""

    reading: Reading
    fitted: FittedUnit
    rests: bool


class Calm:
    """Knows the last judged reading of each unit, and when something last moved at each site."""

    def __init__(
        self, estate: Estate, catalogue: Mapping[str, AlarmKind], clock: Clock, pace: PollUrgency
    ) -> None:
        self.rested = 0
        """How many readings were not judged since the start."""
        self._estate = estate
        self._overload_pct = catalogue["overload"].bound.value
        self._share = catalogue["load_share"].bound
        self._clock = clock
        self._pace = pace
        self._judged: dict[str, _Judged] = {}
        self._moved_s: dict[str, float] = {}
        self._round_s: dict[str, float] = {}  # when a reading of each system was last judged
        self._glances: dict[str, SystemObservation] = {}
        self._silent: dict[str, Silence] = {}  # of units silent for long, the last judged
        self._rested: dict[str, dict[str, Reading]] = {}  # by site and unit, the last that rested

    def forget(self) -> None:
        """Have every reading judged anew after the clock was set."""
        self._judged.clear()
        self._rested.clear()
        self._silent.clear()
        self._glances.clear()

    def rests(self, sample: Sample, newest: Mapping[str, Reading], watch: Live) -> bool:
        """Return whether a sample need not be judged; `newest`: the last reading of each unit before it."""
        unit = self._estate.units[sample.unit]
        system = self._estate.systems[unit.system]
        before = self._judged.get(sample.unit)
        now_s = sample.stamp.monotonic_s
        if not isinstance(sample, Reading):
            self._judged.pop(sample.unit, None)
            return self._silence_rests(sample, system, newest, watch)
        self._silent.pop(sample.unit, None)
        same = before is not None and self._same(sample, before, newest.get(sample.unit), unit.output_lines)
        if not same:
            self._moved_s[system.site] = now_s
        elif (
            before is not None
            and before.rests
            and not self._due(system.id, now_s, before.reading)
            and self._quiet(system.site, now_s, watch)
            and self._all_plain(system.id, sample, newest)
        ):
            self.rested += 1
            self._rested.setdefault(system.site, {})[sample.unit] = sample
            return True
        self._note(sample)
        return False

    def beside(self, sample: Sample) -> tuple[Reading, ...]:
        """Return the readings of its round that rested before a sample said something new: the watch must know them then.

        Else it would say of the units beside one that went to its bank that they have not been read since.
        """
        site, now_s = (
            self._estate.systems[self._estate.units[sample.unit].system].site,
            sample.stamp.monotonic_s,
        )
        if self._moved_s.get(site) != now_s:
            return ()
        rested = self._rested.pop(site, {}).values()
        return tuple(one for one in rested if abs(now_s - one.stamp.monotonic_s) < TOGETHER_S)

    def _silence_rests(
        self, sample: Silence | Fault, system: System, newest: Mapping[str, Reading], watch: Live
    ) -> bool:
        """Return whether a card that has not answered for long says nothing new by not answering once more."""
        memory = watch.units.get(sample.unit)
        since = None if memory is None else memory.silent_since
        if isinstance(sample, Fault) or since is None or sample.stamp.at - since < LONG_SILENT:
            self._silent.pop(sample.unit, None)
            return False
        before, now_s = self._silent.get(sample.unit), sample.stamp.monotonic_s
        if (
            before is not None
            and before.why == sample.why
            and before.stamp.start_id == sample.stamp.start_id
            and not self._due(system.id, now_s, before)
            and self._quiet(system.site, now_s, watch)
            and self._all_plain(system.id, sample, newest)
        ):
            self.rested += 1
            return True
        self._silent[sample.unit], self._round_s[system.id] = sample, now_s
        return False

    def _quiet(self, site: str, now_s: float, watch: Live) -> bool:
        """Return whether nothing at a site moves: no reading of late, no incident, no planned work."""
        return (
            now_s - self._moved_s.get(site, now_s) >= QUIET_S
            and not watch.windows_open
            and not watch.index.lively.get(site)
            and not watch.index.homeless.get(site)
        )

    def _due(self, system: str, now_s: float, before: Sample) -> bool:
        """Return whether a sample like the last judged one is to be judged: in time, or with its system's others.

        The system is judged with each of them: once for all, where they stay together.
        """
        age_s = now_s - before.stamp.monotonic_s
        last_s = self._round_s.get(system, -JUDGED_EVERY_S)
        return age_s >= JUDGED_EVERY_S or now_s - last_s < TOGETHER_S

    def _same(self, sample: Reading, before: _Judged, last: Reading | None, lines: int) -> bool:
        if last is None or not alike(sample, before.reading, before.fitted, lines):
            return False
        # a card that began anew is told by its own clock, against the last reading and not the last judged one
        old_s, new_s = last.agent_uptime_s, sample.agent_uptime_s
        began_anew = old_s is None or new_s is None or new_s < old_s
        return not began_anew and sample.stamp.start_id == before.reading.stamp.start_id

    def _all_plain(self, system: str, sample: Sample, newest: Mapping[str, Reading]) -> bool:
        """Return whether each unit of the system was read in its last round, and none carries a share near its limit.

        An older reading is one that time alone may make count for nothing; of a unit that has been silent for long it does already.
        """
        loads = []
        for unit in self._estate.units_of(system):
            silent = self._silent.get(unit.id)
            if silent is not None:
                if sample.stamp.monotonic_s - silent.stamp.monotonic_s > PERIODS * JUDGED_EVERY_S:
                    return False
                continue
            own = sample if isinstance(sample, Reading) and unit.id == sample.unit else None
            reading = own or newest.get(unit.id)
            known = self._judged.get(unit.id)
            power_w = None if reading is None else reading.output.power_w
            if reading is None or known is None or not known.rests or power_w is None:
                return False
            age_s = sample.stamp.monotonic_s - reading.stamp.monotonic_s
            if age_s > PERIODS * self._pace.period_s(unit.id):
                return False
            loads.append(power_w / known.fitted.rating_w)
        return bool(loads) and shares_far_from(self._share, loads)

    def _note(self, reading: Reading) -> None:
        """Note a reading that is being judged."""
        self._round_s[self._estate.units[reading.unit].system] = reading.stamp.monotonic_s
        unit = self._estate.units[reading.unit]
        card = self._estate.card_of(unit.id)
        fitted = in_place(unit.fitted, reading.at.date())
        if fitted is None:
            self._judged.pop(unit.id, None)
            return
        alone = card is not None and len(card.covers) == 1
        rests = alone and may_rest_on(reading, unit, fitted, self._overload_pct)
        self._judged[unit.id] = _Judged(reading, fitted, rests)

    def seen(self, glance: SystemObservation) -> None:
        """Note how a system looked when it was judged."""
        self._glances[glance.system] = glance

    def load(self, system: str, readings: Mapping[str, Reading]) -> Load | None:
        """Return what a system carries by readings of which none was judged, None where that needs a judgement."""
        glance = self._glances.get(system)
        if glance is None:
            return None
        if any(unit.id in self._silent for unit in self._estate.units_of(system)):
            load = glance.parallel.load  # without them it is not known, as when it was judged
            unknown = not any(line.power_w is not None or line.apparent_va is not None for line in load.lines)
            return load if unknown else None
        return load_of(glance, readings)
