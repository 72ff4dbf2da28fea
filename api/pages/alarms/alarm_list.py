"""Question 3: what is wrong and what first, each as a sentence with what to do, by when, and who knows."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Final
from urllib.parse import quote

from api.http.said import LONGEST_NOTE
from api.pages.markup.elements import Element, Nodes, el
from api.pages.markup.form_button import act
from api.pages.markup.format import with_figures
from api.pages.markup.frame import question
from collector.read_model.answers import ACT_OPEN
from collector.read_model.kept import Telling
from collector.read_model.own_figures import acts_on, acts_shown
from collector.read_model.sheet import Sheet, ShownAlarm
from collector.read_model.wall_clock import WallClock
from rules.phrasing.figures import age, capital, count, listed, plural
from rules.phrasing.text import ACT_FOR

STANDING: Final = ("active_unacknowledged", "active_acknowledged", "latched")
GONE: Final = "returned_unacknowledged"
SHELVED: Final = "shelved"
ASIDE: Final = {"suppressed_by_design": "suppressed by design", "out_of_service": "out of service"}


def standing(alarms: Sequence[ShownAlarm]) -> list[ShownAlarm]:
    """Return the alarms that stand, in the order to act as it was given."""
    return [alarm for alarm in alarms if alarm.state in STANDING]


def in_state(alarms: Sequence[ShownAlarm], state: str) -> list[ShownAlarm]:
    """Return the alarms in one state."""
    return [alarm for alarm in alarms if alarm.state == state]


def wrong(
    sheet: Sheet,
    alarms: Sequence[ShownAlarm],
    clock: WallClock,
    *,
    live: bool = False,
    linked: bool = True,
    waiting: Sequence[ShownAlarm] = (),
    of: str | None = None,
) -> Element:
    """Return question 3 over some alarms, with what else there is under it. `linked`: and a way to all of them.

    `waiting`: what stands and may wait until an outage is over; it is folded away. `of`: the system that the alarms
    are of, None for the estate's.
    """
    stand = standing(alarms)
    title = "What to do, in this order" if live else "What is wrong, and what first"
    reading = "What can wait least comes first; of what can wait alike, the gravest. The heavier the stroke, the more severe."
    body: Nodes = (
        el(
            "ol",
            [sentence(sheet, same, clock, n + 1) for n, same in enumerate(together(stand))],
            class_="say-list",
        )
        if stand
        else el("p", calm(sheet, of), class_="say")
    )
    return question(
        3,
        title,
        reading,
        el(
            "div",
            body,
            _chores(sheet, waiting, clock),
            _also(alarms, clock, linked=linked),
            id="wrong",
            live=True,
        ),
    )


def _chores(sheet: Sheet, waiting: Sequence[ShownAlarm], clock: WallClock) -> Element | None:
    """Return what may wait until the outage is over, folded away."""
    groups = together(standing(waiting))
    if not groups:
        return None
    many = len(groups)
    words = f"{capital(plural(many, 'standing matter'))} {'waits' if many == 1 else 'wait'} until it is over"
    rows = [sentence(sheet, same, clock, None) for same in groups]
    return el("details", el("summary", words), el("ol", rows, class_="say-list"), class_="chores")


def _also(alarms: Sequence[ShownAlarm], clock: WallClock, *, linked: bool) -> Element | None:
    said: list[str] = []
    gone, shelved = in_state(alarms, GONE), in_state(alarms, SHELVED)
    if gone:
        said.append(f"{len(gone)} returned but not acknowledged")
    if shelved:
        back = [alarm.shelved_until for alarm in shelved if alarm.shelved_until]
        said.append(f"{len(shelved)} shelved" + (f" until {clock.at(min(back))}" if back else ""))
    for state, words in ASIDE.items():
        if in_state(alarms, state):
            said.append(f"{len(in_state(alarms, state))} {words}")
    also = f"Also: {listed(said)}. " if said else ""
    if not linked:
        return el("p", also, class_="rest") if said else None
    return el("p", also, el("a", "All alarms and outages", href="/alarms"), class_="rest")


def together(alarms: Sequence[ShownAlarm]) -> list[list[ShownAlarm]]:
    """Return alarms of one incident that ask for the same thing as one, in the place of the first."""
    groups: dict[tuple[str, ...], list[ShownAlarm]] = {}
    for alarm in alarms:
        alone = alarm.id if alarm.incident is None else ""
        groups.setdefault((alarm.incident or "", alarm.severity, alarm.do, alarm.state, alone), []).append(
            alarm
        )
    return list(groups.values())


def sentence(sheet: Sheet, same: Sequence[ShownAlarm], clock: WallClock, number: int | None) -> Element:
    """Return alarms that ask for the same thing as one sentence; the others stand in a fold under it."""
    alarm = same[0]
    return el(
        "li",
        el("span", str(number) if number else "·", class_="no"),
        el(
            "div",
            el("p", alarm.what, class_="what"),
            el("p", list(with_figures(alarm.do)), class_="do") if alarm.do else None,
            el("p", _call(alarm), class_="do") if alarm.call else None,
            _acts(sheet, alarm) if may_act(sheet, alarm) else None,
            [el("p", act.text, class_="small") for act in acts_shown(sheet.heard, alarm.id, alarm.incident)],
            _others(sheet, same[1:]) if len(same) > 1 else None,
        ),
        el("p", _meta(alarm, clock, sheet), class_="meta"),
        class_="al",
        data_sev=alarm.severity,
        data_alarm=alarm.id,
    )


def _call(alarm: ShownAlarm) -> Nodes:
    """Return whom to call, the numbers as links."""
    parts: list[Nodes] = ["Call "]
    for n, one in enumerate(alarm.call):
        name, _, number = one.rpartition(", ")
        dialled = "".join(c for c in number if c.isdigit() or c == "+")
        parts += ["; " if n else "", f"{name}, ", el("a", number, href=f"tel:{dialled}", class_="nb")]
    return [*parts, "."]


def may_act(sheet: Sheet, alarm: ShownAlarm) -> bool:
    """Return whether somebody may take the alarm on here."""
    here = sheet.acts or acts_on(sheet.heard, alarm.about)
    if not here or alarm.state not in {*STANDING, GONE} or alarm.acknowledged is not None:
        return False
    return all(act.standing not in ACT_OPEN for act in acts_shown(sheet.heard, alarm.id, alarm.incident))


def _others(sheet: Sheet, alarms: Sequence[ShownAlarm]) -> Element:
    more = [
        el(
            "li",
            el("p", alarm.what),
            _acts(sheet, alarm) if may_act(sheet, alarm) else None,
            [el("p", act.text, class_="small") for act in acts_shown(sheet.heard, alarm.id)],
        )
        for alarm in alarms
    ]
    words = f"{capital(plural(len(alarms), 'alarm'))} more of this incident, the same to do"
    return el("details", el("summary", words), el("ul", more, class_="rests-on"))


def brief(alarms: Sequence[ShownAlarm], clock: WallClock) -> Element:
    """Return alarms nobody is told of as plain lists: what, how grave, since when; why not told, once for those alike."""
    groups: dict[tuple[str, ...], list[ShownAlarm]] = {}
    for alarm in alarms:
        groups.setdefault(alarm.because, []).append(alarm)
    parts: list[Nodes] = []
    for because, same in groups.items():
        if because:
            parts.append(el("p", f"Because of {listed(because)}:", class_="small"))
        parts.append(el("ul", [_in_a_line(alarm, clock) for alarm in same], class_="rests-on"))
    return el("div", parts)


def _in_a_line(alarm: ShownAlarm, clock: WallClock) -> Element:
    by = f", taken out of service by {alarm.out_of_service_by}" if alarm.out_of_service_by else ""
    return el("li", alarm.what, " ", el("small", f"{alarm.severity}, {since(alarm, clock)}{by}"))


def since(alarm: ShownAlarm, clock: WallClock) -> str:
    """Return since when an alarm stands or last stood, in words."""
    return "has not occurred" if alarm.since is None else f"since {clock.at(alarm.since)}"


def _meta(alarm: ShownAlarm, clock: WallClock, sheet: Sheet) -> Nodes:
    now = sheet.now
    by, due = by_when(alarm, clock, now)
    when = since(alarm, clock)
    if alarm.since is not None:
        long = (now - alarm.since).total_seconds()
        if alarm.until:
            when = clock.span(alarm.since, alarm.until)
        elif long > 86_400:
            when += f" ({age(long)})"
    parts: list[Nodes] = [
        el("span", by, class_="by due" if due else "by"),
        el("b", alarm.severity),
        f", {when}",
        el("br"),
    ]
    if alarm.acknowledged:
        note = f", {alarm.acknowledged.note}" if alarm.acknowledged.note else ""
        parts.append(f"acknowledged by {alarm.acknowledged.by}, {clock.at(alarm.acknowledged.at)}{note}")
    else:
        parts.append("not acknowledged")
    if alarm.shelved_by:
        parts += [el("br"), f"shelved by {alarm.shelved_by}"]
    if alarm.because:
        parts += [el("br"), f"because of {listed(alarm.because)}"]
    parts.append(el("br"))
    told = [f"{t.who}, {t.by} {clock.at(t.at)}{_came_of(t)}" for t in alarm.told]
    parts.append(
        f"told: {'; '.join(told)}"
        if told
        else "told: nobody yet"
        if sheet.tells
        else "told: nobody, since the estate file names nobody to tell"
    )
    if alarm.counted:
        parts += [el("br"), f"{capital(plural(alarm.counted, 'further condition'))} came under it so far"]
    return parts


def _came_of(told: Telling) -> str:
    """Return what came of a telling, in words: what a server answers to a message it took is for the journal."""
    if told.handed_over:
        return ", handed over"
    return f", {told.result}" if told.result else ""


def by_when(alarm: ShownAlarm, clock: WallClock, now: datetime) -> tuple[str, bool]:
    """Return by when to act, in words, and whether that is due today."""
    if alarm.state == SHELVED:
        return (f"Back on {clock.at(alarm.shelved_until)}" if alarm.shelved_until else "Shelved"), False
    if alarm.state in ASIDE:
        return capital(ASIDE[alarm.state]), False
    if alarm.state == GONE:
        return "Gone; to be looked at", False
    when = alarm.by_when
    if when is None:
        return alarm.by_when_text or "No date set", alarm.severity in {
            "critical",
            "major",
        } and alarm.by_when_text is not None
    if isinstance(when, datetime):
        due = (when - now).total_seconds() < 86_400
        words = "Now" if when <= now else f"Before {clock.at(when)}{ACT_FOR.get(alarm.by_when_for, '')}"
    else:
        due = when <= clock.today
        words = "Now" if due else f"Before {clock.day(when)}"
    return alarm.by_when_text or words, due


def _acts(sheet: Sheet, alarm: ShownAlarm) -> Element:
    base = f"/v1/alarms/{quote(alarm.id, safe='')}"
    return el(
        "div",
        act(
            f"{base}/acknowledge",
            "Acknowledge",
            alarm.id,
            el("label", "Note ", el("input", name="note", maxlength=str(LONGEST_NOTE))),
        ),
        act(
            f"{base}/shelve",
            "Shelve…",
            alarm.id,
            el(
                "label",
                "For how many hours ",
                el("input", name="hours", type="number", min="1", max="168", value="8", required=True),
            ),
            quiet=True,
        )
        if alarm.state != GONE
        else None,
        _take_on(sheet, alarm),
        class_="acts",
    )


def _take_on(sheet: Sheet, alarm: ShownAlarm) -> Element | None:
    """Return the button that acknowledges all of an incident, where more than this one alarm waits for it."""
    waiting = sum(may_act(sheet, other) for other in sheet.alarms if other.incident == alarm.incident)
    if alarm.incident is None or waiting < 2:
        return None
    note = el("input", name="note", maxlength=str(LONGEST_NOTE))
    return act(
        f"/v1/incidents/{quote(alarm.incident, safe='')}/take-on",
        f"I have it, all {waiting} of it",
        alarm.incident,
        el("label", "A word to the others, such as when you are there ", note),
        quiet=True,
    )


def calm(sheet: Sheet, of: str | None = None) -> str:
    """Return what is said where no alarm stands, in a system or in all: no calm while units are not heard or on banks."""
    silent = sum(view.reading is None or view.silent_since is not None for view in sheet.units)
    ages = [view.age_s for view in sheet.units if view.age_s is not None and view.silent_since is None]
    if sheet.own and ages and min(ages) > sheet.stale_after_s:
        return "No alarm stands, but nothing was read since the start yet: that says nothing."
    if any(state.on_battery for state in sheet.systems if of in {None, state.id}):
        return "No alarm stands yet: what has just begun is told once it has lasted for some seconds."
    if silent:
        return f"No alarm stands, but {silent} of {len(sheet.units)} units are not heard: that says little."
    return "No alarm is active."


def tally(sheet: Sheet) -> str:
    """Return how many things are wrong, as a sentence, for the head of the alarms sheet."""
    stand = [same[0] for same in together(standing(sheet.alarms))]
    if not stand:
        return calm(sheet)
    unseen = sum(alarm.acknowledged is None for alarm in stand)
    verb = "thing is" if len(stand) == 1 else "things are"
    said = f"{capital(count(len(stand)))} {verb} wrong."
    if unseen == len(stand):
        return f"{said} Nobody has acknowledged {'it' if unseen == 1 else 'any of them'}."
    if unseen:
        return (
            f"{said} {capital(count(unseen))} {'has' if unseen == 1 else 'have'} been acknowledged by nobody."
        )
    return said
