"""What the service's own figures say of its alarms."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Final

from rules.alarms.catalogue import AlarmKind
from rules.alarms.conditions.condition import Condition, Was
from rules.alarms.lifecycle.course import Observation
from rules.phrasing.text import clock_words, listed
from rules.plant.estate import Estate

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
    figures: ServiceFigures, estate: Estate, catalogue: Mapping[str, AlarmKind], *, was: Was
) -> Iterator[Condition]:
    """Yield every condition that the service's own figures decide."""
    limits = {
        "polls_late": (figures.late_fraction, "{:.0%} of polls are late."),
        "readings_wait": (figures.wait_s, "Readings wait {:.0f} s to be judged."),
        "judgements_wait": (figures.background_s, "What is reckoned in the background waits {:.0f} s."),
        "disk_filling": (figures.free_fraction, "{:.1%} of the disk is free."),
        "clock_jumped": (_jumped_s(figures.jumps_s), _jumped_words(figures.jumps_s)),
        "delivery_behind": (figures.oldest_s, "The oldest unsent message is {:.0f} s old."),
    }
    for name, (number, text) in limits.items():
        limit = catalogue[name].bound
        yield Condition(
            name,
            SERVICE,
            Observation(
                limit.passed(number, was=was(name, "")),
                "" if number is None else text.format(number),
                facts={limit.fact: number},
            ),
        )
    for name, known, error in (
        ("store_failing", figures.store_known, figures.store_error),
        ("worker_failing", figures.worker_known, figures.worker_error),
    ):
        yield Condition(
            name, SERVICE, Observation(error is not None if known or error else None, error or "")
        )
    behind = figures.estate_file_behind
    yield Condition(
        "estate_file_behind",
        SERVICE,
        Observation(
            None if behind is None else bool(behind),
            f"Recorded but not in the estate file: {listed(behind)}." if behind else "",
        ),
    )
    for calendar, wrong in sorted(figures.calendars.items()):
        what = f"The calendar {calendar} of planned work cannot be read: {wrong}." if wrong else ""
        yield Condition("calendar_unreadable", SERVICE, Observation(wrong is not None, what), calendar)
    for channel, failing in sorted(figures.channels.items()):
        why = f" It says: {figures.why[channel]}." if figures.why.get(channel) else ""
        yield Condition("channel_failing", channel, Observation(failing, f"Channel {channel} fails.{why}"))
    for channel, number in sorted(figures.undeliverable.items()):
        yield Condition(
            "messages_undeliverable",
            channel,
            Observation(number > 0, f"{number} messages by {channel} were given up."),
        )
    for collector, overdue in sorted(figures.collectors.items()):
        yield Condition(
            "collector_silent", collector, Observation(overdue, f"Nothing is heard of {collector}.")
        )
    yield _watch_power(estate)


def _jumped_s(jumps_s: tuple[float, ...] | None) -> float | None:
    """Return by how much a clock jumped in all within the hour, back and ahead alike, in s."""
    return None if jumps_s is None else sum(map(abs, jumps_s))


def _jumped_words(jumps_s: tuple[float, ...] | None) -> str:
    if not jumps_s:
        return ""
    last = clock_words(timedelta(seconds=jumps_s[-1]))
    if len(jumps_s) == 1:
        return f"{last} What lasts and what is left was counted on."
    return f"{last} It was set {len(jumps_s)} times within an hour."


def _watch_power(estate: Estate) -> Condition:
    power = estate.watch_power
    parts = {
        "the machine": power.box_fed_by,
        "the switches to the cards": power.switches_fed_by,
        "the way out": power.way_out_fed_by,
    }
    bare = [part for part, fed_by in parts.items() if fed_by == "mains"]
    unanswered = [part for part, fed_by in parts.items() if fed_by is None]
    sentences = []
    if bare:
        sentences.append(f"Fed from bare mains: {listed(bare)}.")
    if unanswered:
        sentences.append(f"Not known what feeds {listed(unanswered)}.")
    return Condition("watch_would_die", SERVICE, Observation(bool(sentences), " ".join(sentences)))
