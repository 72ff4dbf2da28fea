"""The ledger's tables, one list of statements for each step of the schema; steps are only ever added.

Column names are the field names of `records`; times are microseconds since 1970 UTC.
`check_sum` is over everything in a row that never changes (see `rows`).
"""

from __future__ import annotations

import re
from typing import Final

from collector.storage.partner import TABLE

_FIRST: Final = (
    """CREATE TABLE alarms (
        id TEXT PRIMARY KEY, kind TEXT NOT NULL, about TEXT NOT NULL, severity TEXT NOT NULL, state TEXT NOT NULL,
        since INTEGER NOT NULL, standing INTEGER NOT NULL, incident TEXT, schema TEXT NOT NULL, body TEXT NOT NULL, check_sum INTEGER NOT NULL
    ) STRICT""",
    "CREATE INDEX alarms_standing ON alarms (standing, since)",
    """CREATE TABLE incidents (
        id TEXT PRIMARY KEY, about TEXT NOT NULL, severity TEXT NOT NULL, opened INTEGER NOT NULL, closed INTEGER,
        schema TEXT NOT NULL, body TEXT NOT NULL, check_sum INTEGER NOT NULL
    ) STRICT""",
    "CREATE INDEX incidents_opened ON incidents (opened)",
    "CREATE INDEX incidents_open ON incidents (opened) WHERE closed IS NULL",
    """CREATE TABLE journal (
        seq INTEGER PRIMARY KEY AUTOINCREMENT, at INTEGER NOT NULL, kind TEXT NOT NULL, about TEXT,
        text TEXT NOT NULL, incident TEXT, alarm TEXT, schema TEXT NOT NULL, body TEXT NOT NULL, check_sum INTEGER NOT NULL
    ) STRICT""",
    "CREATE INDEX journal_at ON journal (at)",
    "CREATE INDEX journal_about ON journal (about, seq)",
    "CREATE INDEX journal_kind ON journal (kind, seq)",
    "CREATE INDEX journal_incident ON journal (incident, seq) WHERE incident IS NOT NULL",
    "CREATE INDEX journal_alarm ON journal (alarm, seq) WHERE alarm IS NOT NULL",
    """CREATE TABLE outbox (
        seq INTEGER PRIMARY KEY AUTOINCREMENT, id TEXT NOT NULL UNIQUE, channel TEXT NOT NULL,
        destination TEXT NOT NULL, order_key TEXT NOT NULL, created INTEGER NOT NULL, due INTEGER NOT NULL,
        urgent INTEGER NOT NULL, incident TEXT, schema TEXT NOT NULL, body TEXT NOT NULL,
        sending TEXT NOT NULL, attempts INTEGER NOT NULL, result TEXT, check_sum INTEGER NOT NULL
    ) STRICT""",
    "CREATE INDEX outbox_waiting ON outbox (channel, destination, order_key, seq) WHERE sending = 'waiting'",
    "CREATE INDEX outbox_dead ON outbox (seq) WHERE sending = 'dead'",
    "CREATE INDEX outbox_incident ON outbox (incident, seq) WHERE incident IS NOT NULL",
    """CREATE TABLE actions (
        seq INTEGER PRIMARY KEY AUTOINCREMENT, at INTEGER NOT NULL, who TEXT NOT NULL, what TEXT NOT NULL,
        about TEXT NOT NULL, why TEXT NOT NULL, alarm TEXT, schema TEXT NOT NULL, body TEXT NOT NULL, check_sum INTEGER NOT NULL
    ) STRICT""",
    "CREATE INDEX actions_about ON actions (about, seq)",
    """CREATE TABLE equipment (
        seq INTEGER PRIMARY KEY AUTOINCREMENT, at INTEGER NOT NULL, kind TEXT NOT NULL, about TEXT NOT NULL,
        author TEXT NOT NULL, recorded INTEGER NOT NULL, schema TEXT NOT NULL, body TEXT NOT NULL, check_sum INTEGER NOT NULL
    ) STRICT""",
    "CREATE INDEX equipment_about ON equipment (about, at)",
    """CREATE TABLE evidence (
        id TEXT PRIMARY KEY, bank TEXT NOT NULL, kind TEXT NOT NULL, at INTEGER NOT NULL, until INTEGER,
        author TEXT, schema TEXT NOT NULL, body TEXT NOT NULL, content BLOB NOT NULL,
        check_sum INTEGER NOT NULL
    ) STRICT""",
    "CREATE INDEX evidence_bank ON evidence (bank, at)",
    """CREATE TABLE facts (
        seq INTEGER PRIMARY KEY AUTOINCREMENT, card TEXT NOT NULL, name TEXT NOT NULL, learnt INTEGER NOT NULL,
        schema TEXT NOT NULL, body TEXT NOT NULL, check_sum INTEGER NOT NULL
    ) STRICT""",
    "CREATE INDEX facts_card ON facts (card, name, seq)",
    """CREATE TABLE corrections (
        id TEXT PRIMARY KEY, card TEXT NOT NULL, since INTEGER NOT NULL, schema TEXT NOT NULL, body TEXT NOT NULL, check_sum INTEGER NOT NULL
    ) STRICT""",
    """CREATE TABLE snapshots (
        name TEXT PRIMARY KEY, at INTEGER NOT NULL, schema TEXT NOT NULL, body TEXT NOT NULL, check_sum INTEGER NOT NULL
    ) STRICT""",
    """CREATE TABLE judgements (
        seq INTEGER PRIMARY KEY AUTOINCREMENT, about TEXT NOT NULL, as_of INTEGER NOT NULL, digest TEXT NOT NULL,
        seed INTEGER NOT NULL, schema TEXT NOT NULL, body TEXT NOT NULL, check_sum INTEGER NOT NULL
    ) STRICT""",
    "CREATE INDEX judgements_about ON judgements (about, seq)",
    """CREATE TABLE engines (
        engine TEXT PRIMARY KEY, boots INTEGER NOT NULL, time_s INTEGER NOT NULL, at INTEGER NOT NULL,
        check_sum INTEGER NOT NULL
    ) STRICT""",
)

_SIGNED_PLANS: Final = (
    """CREATE TABLE signed_plans (
        id TEXT PRIMARY KEY, system TEXT NOT NULL, starts_at INTEGER NOT NULL, signed_at INTEGER NOT NULL,
        signed_by TEXT NOT NULL, schema TEXT NOT NULL, body TEXT NOT NULL, check_sum INTEGER NOT NULL
    ) STRICT""",
    "CREATE INDEX signed_plans_system ON signed_plans (system, starts_at)",
    """CREATE TABLE plan_courses (
        plan TEXT PRIMARY KEY, at INTEGER NOT NULL, open INTEGER NOT NULL, schema TEXT NOT NULL,
        body TEXT NOT NULL, check_sum INTEGER NOT NULL
    ) STRICT""",
)

_ENDS_OF_DISCHARGES: Final = ("CREATE INDEX evidence_ended ON evidence (until) WHERE until IS NOT NULL",)

_PARTNER: Final = (TABLE,)

_ACCESS: Final = (
    """CREATE TABLE users (
        name TEXT PRIMARY KEY, role TEXT NOT NULL, password TEXT, made INTEGER NOT NULL, changed INTEGER NOT NULL,
        check_sum INTEGER NOT NULL
    ) STRICT""",
    """CREATE TABLE sessions (
        id TEXT PRIMARY KEY, user TEXT NOT NULL, address TEXT NOT NULL, made INTEGER NOT NULL, used INTEGER NOT NULL,
        ends INTEGER NOT NULL, check_sum INTEGER NOT NULL
    ) STRICT""",
    "CREATE INDEX sessions_user ON sessions (user)",
    """CREATE TABLE tokens (
        id TEXT PRIMARY KEY, label TEXT NOT NULL, role TEXT NOT NULL, secret TEXT NOT NULL, made INTEGER NOT NULL,
        ends INTEGER NOT NULL, used INTEGER, check_sum INTEGER NOT NULL
    ) STRICT""",
)

_UNNEEDED: Final = (
    # Before this step a message that was not needed any more stood as sent, and its result began so.
    "UPDATE outbox SET sending = 'unneeded', result = substr(result, 13) "
    "WHERE sending = 'sent' AND result LIKE 'not needed: %'",
)

STEPS: Final = (_FIRST, _SIGNED_PLANS, _ENDS_OF_DISCHARGES, _PARTNER, _ACCESS, _UNNEEDED)


def tables_at(version: int) -> list[str]:
    """Return the tables of lines of a ledger whose schema is at `version`, by name: an older one has fewer."""
    made = (re.match(r"CREATE TABLE (\w+)", statement) for step in STEPS[:version] for statement in step)
    return sorted(found[1] for found in made if found and found[1] != "partner")
