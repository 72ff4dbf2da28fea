"""What the service's own figures say of its alarms."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Final

from rules.alarms.catalogue import AlarmKind, Explanation
from rules.alarms.conditions.condition import Condition, Was
from rules.alarms.lifecycle.course import Observation
from rules.plant.estate import Estate
from rules.values.code import Code
from rules.values.reason import Reason, reason, told

SERVICE: Final = "ridethrough"
"""What an alarm of the service itself is about."""


@dataclass(frozen=True, slots=True)
class ServiceFigures:
    """How ridethrough itself does. None: not known. Seconds and fractions 0 to 1.

    `wait_s`: the longest that a reading waited to be judged since the last look; `background_s`: how long the
    oldest question to the judging process has waited.
    `channels` and `undeliverable` by channel: whether it fails now, and how many messages it gave up
    since they were last looked at; with `why` the text that came back. `collectors`: other sites'
    collectors and whether they are overdue, None where that cannot be told. `calendars`: what is wrong with each calendar file, None for nothing.
    """

    late_fraction: float | None = None
    wait_s: float | None = None
    background_s: float | None = None
    free_fraction: float | None = None
    store_error: str | None = None
    store_known: bool = False
    jumps_s: tuple[float, ...] | None = None
    """By how much the machine's clock was set each time within the last hour: s, ahead positive; None: not known."""
    worker_error: str | None = None
    worker_known: bool = False
    oldest_s: float | None = None
    channels: Mapping[str, bool | None] = field(default_factory=dict)
    undeliverable: Mapping[str, int] = field(default_factory=dict)
    why: Mapping[str, str] = field(default_factory=dict)
    collectors: Mapping[str, bool | None] = field(default_factory=dict)
    calendars: Mapping[str, str | None] = field(default_factory=dict)
    estate_file_behind: tuple[str, ...] | None = None


def service_conditions(
    figures: ServiceFigures,
    estate: Estate,
    catalogue: Mapping[str, AlarmKind],
    *,
    was: Was,
    failing: Collection[str] = (),
) -> Iterator[Condition]:
    """Yield every condition that the service's own figures decide.

    `failing`: channels of which it stands as an alarm that they fail; that messages wait for them says nothing new.
    """
    for name, number, what in _measured(figures):
        limit = catalogue[name].bound
        explained = (Explanation.SAID_ALREADY.value,) if name == "delivery_behind" and failing else ()
        passed = limit.passed(number, was=was(name, ""))
        seen = Observation(passed, what, facts={limit.fact: number}, explained=explained)
        yield Condition(name, SERVICE, seen)
    for name, known, error in (
        ("store_failing", figures.store_known, figures.store_error),
        ("worker_failing", figures.worker_known, figures.worker_error),
    ):
        words = told(error) if error else None
        yield Condition(name, SERVICE, Observation(error is not None if known or error else None, words))
    behind = figures.estate_file_behind
    yield Condition(
        "estate_file_behind",
        SERVICE,
        Observation(
            None if behind is None else bool(behind),
            reason(Code.ESTATE_FILE_BEHIND, changes=behind) if behind else None,
        ),
    )
    for calendar, wrong in sorted(figures.calendars.items()):
        said = reason(Code.CALENDAR_UNREADABLE, calendar=calendar, why=wrong) if wrong else None
        yield Condition("calendar_unreadable", SERVICE, Observation(wrong is not None, said), calendar)
    for channel, fails in sorted(figures.channels.items()):
        said = reason(Code.CHANNEL_FAILING, channel, why=figures.why.get(channel) or "")
        yield Condition("channel_failing", channel, Observation(fails, said))
    for channel, given_up in sorted(figures.undeliverable.items()):
        said = reason(Code.MESSAGES_UNDELIVERABLE, channel, number=given_up)
        yield Condition("messages_undeliverable", channel, Observation(given_up > 0, said))
    for collector, overdue in sorted(figures.collectors.items()):
        said = reason(Code.COLLECTOR_SILENT, collector)
        yield Condition("collector_silent", collector, Observation(overdue, said))
    yield _watch_power(estate)


def _measured(figures: ServiceFigures) -> Iterator[tuple[str, float | None, Reason | None]]:
    """Yield each alarm that is a figure beside a limit, with the figure and what is said of it."""
    late, wait_s, background_s = figures.late_fraction, figures.wait_s, figures.background_s
    free, oldest_s = figures.free_fraction, figures.oldest_s
    yield "polls_late", late, None if late is None else reason(Code.POLLS_LATE, figure=late)
    yield "readings_wait", wait_s, None if wait_s is None else reason(Code.READINGS_WAIT, figure=wait_s)
    waits = None if background_s is None else reason(Code.JUDGEMENTS_WAIT, figure=background_s)
    yield "judgements_wait", background_s, waits
    yield "disk_filling", free, None if free is None else reason(Code.DISK_FILLING, figure=free)
    yield "clock_jumped", _jumped_s(figures.jumps_s), _jumped(figures.jumps_s)
    oldest = None if oldest_s is None else reason(Code.DELIVERY_BEHIND, figure=oldest_s)
    yield "delivery_behind", oldest_s, oldest


def _jumped_s(jumps_s: tuple[float, ...] | None) -> float | None:
    """Return by how much a clock jumped in all within the hour, back and ahead alike, in s."""
    return None if jumps_s is None else sum(map(abs, jumps_s))


def _jumped(jumps_s: tuple[float, ...] | None) -> Reason | None:
    return reason(Code.CLOCK_JUMPED, by_s=jumps_s[-1], times=len(jumps_s)) if jumps_s else None


def _watch_power(estate: Estate) -> Condition:
    power = estate.watch_power
    parts = {
        "machine": power.box_fed_by,
        "switches": power.switches_fed_by,
        "way_out": power.way_out_fed_by,
    }
    bare = tuple(part for part, fed_by in parts.items() if fed_by == "mains")
    unanswered = tuple(part for part, fed_by in parts.items() if fed_by is None)
    what = reason(Code.WATCH_WOULD_DIE, bare=bare, unanswered=unanswered) if bare or unanswered else None
    return Condition("watch_would_die", SERVICE, Observation(what is not None, what))
