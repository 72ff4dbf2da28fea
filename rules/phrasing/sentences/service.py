"""What the service says of itself (`rules.alarms.conditions.service`)."""

from __future__ import annotations

from typing import Final

from rules.phrasing.says import says
from rules.phrasing.text import lasted, listed
from rules.values.code import Code


@says(Code.POLLS_LATE)
def polls_late(*, figure: float) -> str:
    """Say what fraction of polls is late."""
    return f"{figure:.0%} of polls are late."


@says(Code.READINGS_WAIT)
def readings_wait(*, figure: float) -> str:
    """Say how long readings wait, in s."""
    return f"Readings wait {figure:.0f} s to be judged."


@says(Code.JUDGEMENTS_WAIT)
def judgements_wait(*, figure: float) -> str:
    """Say how long questions wait, in s."""
    return f"What is reckoned in the background waits {figure:.0f} s."


@says(Code.DISK_FILLING)
def disk_filling(*, figure: float) -> str:
    """Say what fraction of the disk is free."""
    return f"{figure:.1%} of the disk is free."


@says(Code.DELIVERY_BEHIND)
def delivery_behind(*, figure: float) -> str:
    """Say how old the oldest message is, in s."""
    return f"The oldest unsent message is {figure:.0f} s old."


@says(Code.CLOCK_SET)
def clock_set(*, by_s: float) -> str:
    """Say by how much a machine's clock was set, in s, ahead positive."""
    way = "ahead" if by_s > 0.0 else "back"
    return f"The machine's clock was set {way} by {lasted(abs(by_s))}."


@says(Code.CLOCK_JUMPED)
def clock_jumped(*, by_s: float, times: int) -> str:
    """Say by how much the clock was set last, and how often within an hour."""
    more = (
        "What lasts and what is left was counted on."
        if times == 1
        else f"It was set {times} times within an hour."
    )
    return f"{clock_set(by_s=by_s)} {more}"


@says(Code.ESTATE_FILE_BEHIND)
def estate_file_behind(*, changes: tuple[str, ...]) -> str:
    """Say which changes of equipment the estate file lacks."""
    return f"Recorded but not in the estate file: {listed(changes)}."


@says(Code.CALENDAR_UNREADABLE)
def calendar_unreadable(*, calendar: str, why: str) -> str:
    """Say what is wrong with a calendar file."""
    return f"The calendar {calendar} of planned work cannot be read: {why}."


@says(Code.CHANNEL_FAILING)
def channel_failing(about: str, *, why: str) -> str:
    """Say that messages do not go out one way, and what came back."""
    it_says = f" It says: {why}." if why else ""
    return f"Channel {about} fails.{it_says}"


@says(Code.MESSAGES_UNDELIVERABLE)
def messages_undeliverable(about: str, *, number: int) -> str:
    """Say how many messages were given up."""
    return f"{number} messages by {about} were given up."


@says(Code.COLLECTOR_SILENT)
def collector_silent(about: str) -> str:
    """Say that another site's collector is silent."""
    return f"Nothing is heard of {about}."


_PARTS: Final = {
    "machine": "the machine",
    "switches": "the switches to the cards",
    "way_out": "the way out",
}


@says(Code.WATCH_WOULD_DIE)
def watch_would_die(*, bare: tuple[str, ...], unanswered: tuple[str, ...]) -> str:
    """Say what of the watch hangs on bare mains, and of what nobody said what feeds it."""
    said = []
    if bare:
        said.append(f"Fed from bare mains: {listed([_PARTS[part] for part in bare])}.")
    if unanswered:
        said.append(f"Not known what feeds {listed([_PARTS[part] for part in unanswered])}.")
    return " ".join(said)
