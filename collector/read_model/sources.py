"""From what the rules and the collector keep to what a sheet shows: pure, one function for each kind of value.

`Traces` alone remembers: what was judged left at each look at an outage, so that the page can draw how it went.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final

from collector.read_model import sheet as model
from collector.read_model.wall_clock import WallClock
from collector.storage.ledger.records import IncidentLine, JournalLine
from rules.alarms.catalogue import Cause
from rules.alarms.conditions.shedding import holds_without, shed_reason
from rules.alarms.incidents.incident import Incident, IncidentPart
from rules.phrasing.figures import capital, minutes, plural
from rules.phrasing.notice_case import on_times
from rules.phrasing.reasons import say
from rules.phrasing.text import lasted, listed
from rules.planning.isolation.check import Isolation, Overall
from rules.planning.isolation.rows import Result
from rules.plant.estate import Estate
from rules.system import forecast_score as simulated
from rules.system.state import SystemState
from rules.values.code import Code
from rules.values.serial import from_plain

FED_BY: Final = {
    "unit_to_battery": "banks",
    "unit_from_battery": "supply",
    "unit_to_bypass": "bypass",
    "unit_from_bypass": "supply",
    "unit_to_off": "none",
    "unit_from_off": "supply",
}
"""What feeds a unit after a line of the journal; whether a supply that came back is mains or a generator, no card says."""

STORY: Final = frozenset({"mains_lost", "supply_back", *FED_BY})
ENDS: Final = frozenset({"supply_back", "unit_from_battery", "unit_from_bypass", "unit_from_off"})
CAME_BACK: Final = frozenset({"supply_returned", "outage_marked"})
"""What is said of how it ended, perhaps days later."""
TAKEN_ON: Final = "taken_on"
ACT: Final = "act"
ACKNOWLEDGED: Final = "acknowledge"
AROUND: Final = timedelta(seconds=90)
TRACE_POINTS: Final = 360
TRACE_STEP: Final = timedelta(seconds=2)
KEEPS: Final = {
    "others_carry": "the others do not carry",
    "nothing_under_way": "a test or shutdown runs",
    "load_fits_now": "load too high",
    "load_fits_window": "load too high soon",
    "others_hold": "banks too short",
    "banks_charged": "banks not full",
    "input_steady": "mains not steady",
    "bypass_in_band": "bypass out of band",
    "no_alarms": "an alarm stands",
    "generator": "generator not ready",
}
"""What keeps a unit from being taken out, by the check that is not met."""


def score_of(made: simulated.Score) -> model.ShownScore:
    """Return the demonstration's score; outages before which nothing was foretold are left out of it."""
    return model.ShownScore(
        tuple(
            model.ScoredOutage(
                line.outcome.at,
                line.outcome.system,
                line.prediction.low_s,
                line.prediction.median_s,
                line.prediction.high_s,
                line.outcome.hold_up_s,
            )
            for line in made.lines
            if line.prediction and line.prediction.low_s is not None and line.outcome.hold_up_s is not None
        )
    )


def isolation_of(checked: Isolation, clock: WallClock) -> model.ShownIsolation:
    """Return whether a unit may be taken out as the page says it: an answer, and its checks by result."""
    rows: dict[Result, list[str]] = {result: [] for result in Result}
    for row in checked.rows:
        rows[row.result].append(capital(say(row.because)))
    return model.ShownIsolation(
        unit=checked.unit,
        overall=checked.overall.value,
        answer=_answer(checked, clock),
        met=tuple(rows[Result.MET]),
        not_met=tuple(rows[Result.NOT_MET]),
        cannot_be_seen=tuple(rows[Result.CANNOT_BE_SEEN]),
        person=tuple(rows[Result.PERSON]),
        why=_why(checked),
    )


def _why(checked: Isolation) -> str:
    """Return in a few words what is not met first; what trips by overload holds nothing, but its load is what is wrong."""
    first = next((row for row in checked.rows if row.decides and row.result is Result.NOT_MET), None)
    if first is None:
        return ""
    check = "load_fits_now" if first.because.code is Code.OVERLOADS_ONE_LOST else first.check
    return KEEPS.get(check, "")


def _answer(checked: Isolation, clock: WallClock) -> str:
    if checked.overall is Overall.MET:
        return "As far as can be seen, yes."
    wanted = Result.NOT_MET if checked.overall is Overall.NOT_MET else Result.CANNOT_BE_SEEN
    first = next((row for row in checked.rows if row.decides and row.result is wanted), None)
    why = f" {capital(say(first.because))}" if first else ""
    said = "No." if checked.overall is Overall.NOT_MET else "Cannot tell."
    if checked.met_between and checked.met_between[0].from_at > checked.from_at:
        slot = checked.met_between[0]
        return f"Not now.{why} It would be met from {clock.at(slot.from_at)} to {clock.at(slot.to_at)}."
    return said + why


def outages_of(
    incidents: Iterable[IncidentLine], journal: Sequence[JournalLine], estate: Estate
) -> tuple[model.ShownEvent, ...]:
    """Return the outages among incidents, one for each system that was in them, with their lines of the journal.

    An incident whose body cannot be read (written by a later program) is left out.
    """
    found: list[model.ShownEvent] = []
    for line in incidents:
        try:
            incident = from_plain(Incident, line.body)
        except (TypeError, ValueError, KeyError):
            continue
        if incident.cause is Cause.POWER:
            parts = [_event(incident, part, journal, estate) for part in incident.parts.values()]
            found += [replace(part, opened=line.opened) for part in parts]
    return tuple(found)


def _event(
    incident: Incident, part: IncidentPart, lines: Sequence[JournalLine], estate: Estate
) -> model.ShownEvent:
    # in whole seconds, as the sentence beside it says it
    took = None if part.until is None else float(round(part.on_battery_s(part.until)))
    name = estate.systems[part.system].name if part.system in estate.systems else part.system
    mine = sorted((one for one in lines if _belongs(one, incident, part, estate)), key=lambda one: one.at)
    said = [model.EventLine(one.at, _text_of(one)) for one in mine]
    fed = [model.Fed(unit, part.since - AROUND, "supply") for unit in part.units]
    fed += [
        model.Fed(one.about, one.at, FED_BY[one.kind]) for one in mine if one.about and one.kind in FED_BY
    ]
    return model.ShownEvent(
        id=f"{incident.id}:{part.system}",
        at=part.since,
        kind="outage",
        text=_told(incident, part, name, estate),
        system=part.system,
        until=part.until,
        took_s=took,
        carried=None if part.until is None else not part.dropped,
        fed=tuple(fed),
        lines=tuple(said),
        foretold=_foretold(part, took),
        notices=len(incident.counted) or None,
        messages=incident.notices or None,
        incident=incident.id,
    )


def _text_of(line: JournalLine) -> str:
    """Return a line of the journal as a story tells it."""
    if line.kind != ACT:
        return line.text
    why = line.body.get("why")
    return f"{line.body.get('who')} acknowledged it{f': {why}' if why else '.'}"


def _told(incident: Incident, part: IncidentPart, name: str, estate: Estate) -> str:
    """Return what an outage was to one of its systems: others in the incident may have been longer on their banks."""
    system, units = estate.systems.get(part.system), listed(part.units)
    whole = system is None or incident.about == system.supply or len(incident.parts) > 1
    only = "" if whole else f"Only {units} lost {'its' if len(part.units) == 1 else 'their'} input. "
    if part.until is None:
        verb = "is" if incident.open else "was"
        return f"{only}{name} {verb} on its banks, {plural(len(part.units), 'unit')}."
    took = f"{lasted(part.on_battery_s(part.until))} on battery{on_times(part)}"
    if incident.open and part.dark:
        return f"{only}Its load was dropped after {took}; it feeds nothing yet."
    if part.dropped:
        return f"{only}Over after {took}. Its load was dropped."
    seen = "as far as it was seen" if part.unseen else "throughout"
    return f"{only}Back on supply after {took}; the load was carried {seen}."


def _belongs(line: JournalLine, incident: Incident, part: IncidentPart, estate: Estate) -> bool:
    """Return whether a line tells of a system's part in an outage: a notice of it, or what its units and supply did."""
    if line.incident == incident.id and (line.kind.startswith("incident_") or line.kind == TAKEN_ON):
        return True
    if line.kind == ACT:  # who answered
        mine = line.alarm in incident.ever and line.at >= part.since - AROUND
        return mine and line.body.get("deed") == ACKNOWLEDGED
    system = estate.systems.get(part.system)
    if line.incident == incident.id and line.kind in CAME_BACK:
        return system is not None and line.about == system.supply
    # what goes belongs to the outage that it begins, what comes back to the one that it ends: another may be near
    begins, ends = part.since, part.until or line.at
    near = begins <= line.at <= ends + AROUND if line.kind in ENDS else begins - AROUND <= line.at <= ends
    about = {*part.units, system.supply if system else ""}
    return near and line.kind in STORY and line.about in about


def _foretold(part: IncidentPart, took_s: float | None) -> tuple[model.Foretold, ...]:
    if part.predicted_low_s is None:
        return ()
    low = minutes(part.predicted_low_s, favours=True)
    high = None if part.predicted_high_s is None else minutes(part.predicted_high_s, favours=True)
    predicted = f"{low} to {high} min" if high else f"{low} min or more"
    if took_s is None:
        return (model.Foretold("it holds", predicted, "still on", None),)
    if not part.dropped:
        inside = f"{minutes(took_s, favours=False)} min, not put to the end"
        return (model.Foretold("it holds", predicted, inside, None),)
    held = minutes(took_s, favours=True)
    true = part.predicted_low_s <= took_s and (
        part.predicted_high_s is None or took_s <= part.predicted_high_s
    )
    return (model.Foretold("it holds", predicted, f"{held} min, then dropped", true),)


class Traces:
    """How each outage went so far, as it was judged at each look; forgotten when the outage is over.

    What is left is the time to the middle of the expected ends over the time from the failure to it. Nothing is
    added while the end is only reckoned, and points are thinned so that a long outage stays small.
    """

    def __init__(self) -> None:
        self._points: dict[str, tuple[datetime, list[tuple[datetime, float]]]] = {}

    def look(self, states: Iterable[SystemState], now: datetime) -> Mapping[str, model.ShownOutage]:
        """Return what is known of every outage at `now`, this look included."""
        shown: dict[str, model.ShownOutage] = {}
        for state in states:
            on = state.on_battery
            if on is None:
                self._points.pop(state.id, None)
                continue
            since, points = self._points.get(state.id, (on.since, []))
            if since != on.since:
                points = []
            self._points[state.id] = (on.since, points)
            left = _left(state, now)
            if (
                left is not None
                and on.reckoned_since is None
                and (not points or now - points[-1][0] >= TRACE_STEP)
            ):
                points.append((now, left))
                if len(points) > TRACE_POINTS:
                    del points[1:-1:2]
            shown[state.id] = model.ShownOutage(trace=tuple(points), left_now=left)
        return shown


def _left(state: SystemState, now: datetime) -> float | None:
    on = state.on_battery
    if on is None or on.ends_earliest is None:
        return None
    middle = on.ends_earliest + ((on.ends_latest or on.ends_earliest) - on.ends_earliest) / 2
    whole = (middle - on.since).total_seconds()
    return min(max((middle - now).total_seconds() / whole, 0.0), 1.0) if whole > 0 else 0.0


def with_shedding(outage: model.ShownOutage, state: SystemState, now: datetime) -> model.ShownOutage:
    """Return an outage with what to shed first, as far as that is reckoned."""
    on = state.on_battery
    shed = None if on is None else on.shed
    if on is None or shed is None:
        return outage
    ends = on.ends_earliest
    said = model.Shedding(say(shed_reason(shed, now, ends)), shed.power_w)
    if ends is not None and shed.steps and not holds_without(shed, now, ends):
        said = replace(said, ends_earliest=shed.ends_earliest)
    return replace(outage, shedding=said)


def with_unit_lost(outage: model.ShownOutage, state: SystemState) -> model.ShownOutage:
    """Return an outage with what would be left if the worst single unit were lost from now on."""
    return replace(outage, one_unit_lost_from_now=state.hold_up.one_unit_lost)
