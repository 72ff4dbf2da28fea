"""What the watch says and people do, as lines of the ledger: alarms, incidents, judgements, actions, the journal in words."""

from __future__ import annotations

from collector.recorder.batch import Doing
from collector.recorder.trackers.unit_work import WorkBegins, WorkCloses
from collector.storage.ledger import Transaction
from collector.storage.ledger.records import Action, AlarmLine, IncidentLine, JournalLine, JudgementLine
from collector.storage.ledger.whence import Whence, with_whence
from rules.alarms.events import PowerEvent
from rules.alarms.incidents.incident import IncidentChange
from rules.alarms.lifecycle.alarm import Alarm, Happened
from rules.alarms.lifecycle.states import State
from rules.battery.assessment.bank import BankJudgement
from rules.monitor.outputs import Change
from rules.phrasing.reasons import kept, say


def save_change(tx: Transaction, change: Change) -> None:
    """Put one change into a transaction, with its line in the journal."""
    if isinstance(change, Happened):
        tx.save_alarm(alarm_line(change.alarm, change))
    elif isinstance(change, IncidentChange):
        tx.save_incident(incident_line(change))
    line = line_of(change)
    if line is not None:
        tx.add_event(line)


def alarm_line(alarm: Alarm, happened: Happened) -> AlarmLine:
    """Return an alarm as the ledger keeps it."""
    return AlarmLine(
        id=alarm.id,
        kind=alarm.kind,
        about=alarm.about,
        severity=alarm.severity.value,
        state=alarm.state.value,
        since=alarm.since or happened.at,
        standing=alarm.state is not State.NORMAL,
        incident=alarm.incident,
        body=kept(alarm),
    )


def incident_line(change: IncidentChange) -> IncidentLine:
    """Return an incident as the ledger keeps it."""
    incident = change.incident
    body = kept(incident) | {"title": say(incident.title), "do": say(incident.do)}  # given over HTTP as it is
    return IncidentLine(
        id=incident.id,
        about=incident.about,
        severity=incident.severity.value,
        opened=incident.opened_at,
        closed=incident.closed_at,
        body=body,
    )


def line_of(change: Change) -> JournalLine | None:
    """Return a change as a line of the journal; None for what is nobody's history."""
    if isinstance(change, PowerEvent):
        return JournalLine(change.at, change.kind, change.about, say(change.what), incident=change.incident)
    if isinstance(change, Happened):
        alarm = change.alarm
        return JournalLine(
            change.at,
            f"alarm_{change.event.value}",
            alarm.about,
            say(alarm.what),
            incident=alarm.incident,
            alarm=alarm.id,
            body={
                "state": alarm.state.value,
                "before": change.before.value,
                "severity": alarm.severity.value,
            },
        )
    if isinstance(change, IncidentChange) and change.notice is not None:
        notice = change.notice
        return JournalLine(
            change.at, f"incident_{notice.kind.value}", notice.about, notice.what, incident=notice.incident,
            body={"do": notice.do, "lines": list(notice.lines), "severity": notice.severity.value},
        )  # fmt: skip
    return None


def judgement_line(judged: BankJudgement) -> JudgementLine:
    """Return a bank's judgement as the ledger keeps it: what was said, of what input, with what seed."""
    body = {"state": kept(judged.state)}
    return JudgementLine(f"bank {judged.state.id}", judged.as_of, judged.digest, judged.seed, "bank/1", body)


def action_line(action: Doing) -> Action:
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


def act_line(action: Action, whence: Whence) -> JournalLine:
    """Return the journal's line of what somebody did: who, what, why, from where and by what means."""
    why = f": {action.why}" if action.why else ""
    what = f"{action.who}, {action.what.replace('_', ' ')}, {action.about}{why} ({whence.words()})."
    body = with_whence({**action.body, "who": action.who, "deed": action.what, "why": action.why}, whence)
    return JournalLine(action.at, "act", action.about, what, alarm=action.alarm, schema="act/1", body=body)
