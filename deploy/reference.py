"""Writes the references that stand beside this file, and the schemas of all that is sent, from the code itself.

Run it after changing a setting, an alarm, a path or a payload; a test compares the files with what it would write.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

from api.access.roles import need_of
from api.app import openapi
from api.http.doors import BODY_S, LARGEST_BODY_BYTES
from api.http.problems import MEANS
from api.http.said import LONGEST_NAME, LONGEST_NOTE
from collector.configuration import centre_settings, settings_notes, settings_reference
from collector.configuration.impossible import LEAST_VA, MOST_VA
from collector.configuration.plausibility import LEAST_SET_W, MOST_BANK_V
from collector.messaging import payloads
from rules.alarms.catalogue import catalogue_reference

HERE = Path(__file__).resolve().parent


CHECK_DOUBTS = (
    "Each line of it reads FILE:LINE: place: want ...; got ... A fault is what the service cannot run with: besides what is",
    f"no TOML or leads nowhere, ratings under {LEAST_VA:g} VA (kVA written as VA) or over {MOST_VA / 1e6:g} MVA, a generator under {LEAST_SET_W:g} W, a",
    f"string over {MOST_BANK_V:g} V, and blocks that equal the cells of a bank that could then not carry its unit. Days to come are a",
    "fault for `check` alone: a service goes on where its computer's clock was lost. A warning is what the site ought to",
    "answer or set right: blocks or cells of a size hardly made, a generator smaller than what it must carry and charge, load groups",
    "above the rating of their units or without a figure for each line, a partner at another site, and the hours in which a",
    "critical or major alarm of a system reaches nobody.",
)


def settings_markdown() -> str:
    """Return the reference of the estate file and the secrets file as Markdown."""
    parts = [
        "# The settings\n",
        "Every table and key of the estate file (TOML), and of the secrets file beside it. `ridethrough check` names every",
        "fault in a file. `example-estate.toml` is a whole one with notes. Last stands what is asked of a centre's file (`ridethrough centre`,",
        "`centre/example-centre.toml`), which has `[page]`, `[listen]` and `[secrets]` as an estate file has.\n",
        *CHECK_DOUBTS,
    ]
    table = ""
    for setting in [*settings_reference(), *centre_settings()]:
        within, _, key = setting.place.rpartition(" ")
        if within != table:
            table = within
            notes = settings_notes().get(within)
            parts += [
                f"\n## {within}\n",
                *([notes, ""] if notes else []),
                "| key | takes | left out | meaning |",
                "| --- | --- | --- | --- |",
            ]
        cells = (f"`{key}`", setting.type, setting.default, setting.description)
        parts.append("| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |")
    return "\n".join(parts) + "\n"


def http_markdown() -> str:
    """Return the reference of the HTTP interface as Markdown, from its OpenAPI document."""
    document = openapi()
    parts = [
        "# The HTTP interface\n",
        "JSON with SI numbers, `null` where something is not known, times in UTC (RFC 3339); errors are problem documents",
        "(RFC 9457), or a page with the same status for whoever asks for one (`Accept: text/html`). The whole of it, machine-readable, is at `/openapi.json`. What comes under another name than this machine's,",
        "or from another site's page, is refused with 403; so is the site's word where no token is set. Where too much is asked",
        "at once, something is not known yet, or a store cannot be read, any path answers 503. A body of more than",
        f"{LARGEST_BODY_BYTES // 1024} kB is refused with 413 before it is read, and one that takes longer than {BODY_S:g} s with 408. Names have",
        f"up to {LONGEST_NAME} characters and notes up to {LONGEST_NOTE}, printable and in one line.\n",
        "A centre of several sites has these paths too, with `SITE:` before each id. What is judged anew, planned or signed only at a",
        "site it refuses with 421 (`/problems/at-the-site`), whose `sites` name each site's own address. What is done with alarms, incidents",
        "and work it hands on to the site where its file has the site's token, and answers 202 with `act` (its id), `site`, `standing` and",
        "`text`: `waiting` (on its way), `taken` (by the site, whose journal has not told it yet). A refusal of the site's is 409",
        "(`/problems/refused-at-the-site`). `/v1/sites` lists what is open, and for 15 minutes what was not done; the line of the journal by",
        "which it is done has the same id in `asked.act`. A site takes an act with a token made by `ridethrough token make NAME --role",
        "pass_on`, and beside what is asked `by` and `passed_on`: `act` (32 hexadecimal digits; what comes again under it is answered with `done` and",
        "not done again), `until` (later it is not done: 409, `/problems/late`), `known`, `means` and `from`. While the very act is under way it",
        "answers 409 (`/problems/under-way`). No other token may name who acts.\n",
        "HEAD is answered wherever GET is. Every whole answer has an entity tag: asked for with it in `If-None-Match`, 304 says",
        "that nothing changed. Text is packed for whoever takes gzip.\n",
        "The examples are what a test was answered, each list cut to its first entry and figures to four digits; that test finds one that",
        "is no longer so.\n",
        "`because` is for people: a sentence, or several, whose wording may change. Beside it `reasons` gives the same to programs,",
        "as far as it has been brought into that form: `code`, which keeps its name, `about`, an id or empty, and `args`, figures in",
        'SI units, days (`{"day": …}`), moments, names, and reasons within the reason.\n',
        "Each path says which role it wants. A program shows a token (`ridethrough token make`) in the header `Authorization:",
        "Bearer TOKEN`; a browser signs in at `/sign-in`, and shows with whatever acts the proof that its page holds, in the header",
        "`X-CSRF-Token` or a form's field `csrf`. Who is not known is answered 401, who may too little 403. Where it is known",
        "who asks, `by` is that name and may be left out; another one is refused with 422. On loopback, while there is neither a",
        "user nor a token, everybody looks, and the user that the service runs as acts, under the name that `by` says.",
    ]
    for path, methods in document["paths"].items():
        for method, told in methods.items():
            parts.append(f"\n## `{method.upper()} {path}`\n\n{told['description']}\n\n{_needs(method, path)}")
            refused = [
                f"- {status}: {answer['description']}"
                for status, answer in sorted(told["responses"].items())
                if status not in {"200", "303", "401", "403", "408", "413"}
                and (status, answer["description"]) != ("503", MEANS[503])
            ]
            if refused:
                parts += ["\nBeside 200:\n", *refused]
            rows = [*_parameters(told), *_body(document, told)]
            if rows:
                parts += ["\n| asked for | where | takes | meaning |", "| --- | --- | --- | --- |", *rows]
            given = _given(told)
            if given:
                parts.append(f"\nGives {given}.")
            parts += _example(method, path)
    return "\n".join([*parts, *_forms(document)]) + "\n"


def _example(method: str, path: str) -> list[str]:
    """Return the example of an answer that a test took, where one is kept."""
    name = method + re.sub(r"[^a-z0-9]+", "-", path.lower()).rstrip("-")
    file = ANSWERS / f"{name}.json"
    if not file.is_file():
        return []
    return [f"\n```json\n{_narrow(json.loads(file.read_text('utf-8')))}\n```"]


def _narrow(value: object, indent: int = 0) -> str:
    """Return JSON in lines of at most `WIDTH`, each as full as may be: one value a line makes pages of nothing."""
    flat = json.dumps(value, ensure_ascii=False)
    if len(flat) + indent <= WIDTH or not isinstance(value, dict | list) or not value:
        return flat
    pad = " " * (indent + 1)
    parts = (
        [f"{json.dumps(key)}: {_narrow(one, indent + 1)}" for key, one in value.items()]
        if isinstance(value, dict)
        else [_narrow(one, indent + 1) for one in value]
    )
    lines: list[str] = []
    for part in parts:
        if lines and "\n" not in part and "\n" not in lines[-1] and len(lines[-1]) + len(part) + 2 <= WIDTH:
            lines[-1] += f", {part}"
        else:
            lines.append(pad + part)
    opening, closing = ("{", "}") if isinstance(value, dict) else ("[", "]")
    return opening + "\n" + ",\n".join(lines) + "\n" + " " * indent + closing


def _needs(method: str, path: str) -> str:
    need = need_of(method.upper(), path)
    if need.role is None:
        return "Wants no role."
    again = ", and the password again (`password` in the body)" if need.again else ""
    return f"Wants the role {need.role.value}{again}."


def _parameters(told: dict[str, Any]) -> Iterator[str]:
    for one in told.get("parameters", ()):
        needed = one["in"] + ("" if one.get("required") else ", may be left out")
        yield _row(one["name"], needed, one["schema"], one.get("description", ""))


def _body(document: dict[str, Any], told: dict[str, Any]) -> Iterator[str]:
    content = told.get("requestBody", {}).get("content", {}).get("application/json")
    if content is None:
        return
    body = document["components"]["schemas"][content["schema"]["$ref"].rsplit("/", 1)[-1]]
    for name, schema in body["properties"].items():
        needed = "body" + ("" if name in body.get("required", ()) else ", may be left out")
        yield _row(name, needed, schema, schema.get("description", ""))


def _given(told: dict[str, Any]) -> str:
    """Return what a path gives where all goes well, or nothing."""
    answers = [answer for status, answer in told["responses"].items() if status.startswith("2")]
    schemas = [
        content.get("schema", {}) for answer in answers for content in answer.get("content", {}).values()
    ]
    return ", ".join(_takes(schema, null=True) for schema in schemas if schema)


def _forms(document: dict[str, Any]) -> Iterator[str]:
    """Yield what the answers are made of, each form once, in the order in which the paths give them."""
    yield "\n# What is given\n\nKeys are always there; what is not known is `null`."
    seen: list[str] = []
    for methods in document["paths"].values():
        for told in methods.values():
            _gather(document, told["responses"], seen)
    for name in seen:
        form = document["components"]["schemas"][name]
        keys = form.get("properties", {})
        yield f"\n## {name}\n\n{form.get('description', '')}\n\n| key | is | meaning |\n| --- | --- | --- |"
        for key, field in keys.items():
            yield _cells(
                f"`{key}`", _takes(field, null=True), "" if "$ref" in field else field.get("description", "")
            )


def _gather(document: dict[str, Any], node: object, seen: list[str]) -> None:
    """Note the named forms that stand anywhere in a part of the document, and those within them."""
    if isinstance(node, dict):
        if "$ref" in node and (name := node["$ref"].rsplit("/", 1)[-1]) not in seen:
            seen.append(name)
            _gather(document, document["components"]["schemas"][name], seen)
        for inner in node.values():
            _gather(document, inner, seen)
    elif isinstance(node, list):
        for inner in node:
            _gather(document, inner, seen)


def _row(name: str, where: str, schema: dict[str, Any], meaning: str) -> str:
    return _cells(f"`{name}`", where, _takes(schema), meaning)


def _cells(*cells: str) -> str:
    return "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"


def _takes(schema: dict[str, Any], *, null: bool = False) -> str:
    """Return in a word or two what a value may be; that it may be null only where `null`."""
    if "anyOf" in schema:
        return " or ".join(
            _takes(one, null=null) for one in schema["anyOf"] if null or one.get("type") != "null"
        )
    if "$ref" in schema:
        name = str(schema["$ref"]).rsplit("/", 1)[-1]
        return f"[{name}](#{name.lower()})" if null else name  # what is asked for is listed with its path
    if "enum" in schema:
        return ", ".join(f"`{value}`" for value in schema["enum"])
    return _kind(schema, null=null)


def _kind(schema: dict[str, Any], *, null: bool) -> str:
    kind, by_name = schema.get("type", "any"), schema.get("additionalProperties")
    if schema.get("format") == "date-time":
        return "time"
    if "prefixItems" in schema:
        return "[" + ", ".join(_takes(one, null=null) for one in schema["prefixItems"]) + "]"
    if kind == "array":
        return "list of " + _takes(schema.get("items", {}), null=null)
    if isinstance(kind, list):
        return " or ".join(one for one in kind if null or one != "null")
    return f"by name: {_takes(by_name, null=null)}" if isinstance(by_name, dict) else str(kind)


MESSAGES_HEAD = """# The messages

What other programs get, by MQTT, webhook, command, syslog and SNMP. Payloads are JSON in UTF-8 with SI numbers, `null` where something is
not known, moments in UTC (RFC 3339, with `Z`). Keys may be added; none is renamed or taken away without a word in the
notes of a version. The form of each is a JSON Schema (2020-12) in `deploy/schemas`; a test holds what is sent against it,
and the examples here are made by that test.

## By MQTT

Version 5, quality of service 1, below `TOPICS_BELOW/COLLECTOR/` (`topics_below` of the channel, `ridethrough` where it is
left out; `collector` of `[delivery]`, the first site's id where it is left out). A client that comes later gets what is
retained. A message that stands for something lasting carries `message_id`, in the payload and as a user property: the
same however often it is sent, so a repetition is known by it.

| topic | retained | expires after | payload | when |
| --- | --- | --- | --- | --- |
| `alive` | yes | no | `alive` | every `heartbeat_every_s`; the last will says `lost` |
| `alarm/ID` | yes; empty once it is normal | 7 days | `alarm` | at each change of an alarm |
| `incident/ID` | no | no | `incident` | each time there is something to tell of it |
| `person/NAME` | no | no | `person` | what one person is told whose `reach` names the broker |
| `system/ID` | yes | 60 s unless renewed | an item of `GET /v1/systems` | at each change, the newest alone |
| `unit/ID` | yes | 60 s unless renewed | `unit` | at each reading, the newest alone |
| `value/unit/ID/...`, `value/system/ID/...` | yes; empty once it is not known | 60 s unless renewed | one figure or word as text | with `single_values = true`: when it is another |

Each message names its content type, `application/json` or `text/plain`, and says that it is UTF-8. The path below `value/` is the
one in the JSON beside it, an item of a list named by its `id`, `unit` or `line`, else by its number: the voltage at the output
is `value/unit/W1/reading/output/lines/2/voltage_v`, the least hold-up `value/system/works/hold_up/now/low_s`, an end on the banks
`value/system/works/on_battery/ends_earliest`.

Ids in topics are percent-encoded but for letters, digits and `:._-`; in names of people spaces and `'` stay too. Read from a broker are only the `alive` of the
collectors named in `[delivery] collectors`, and, where `[set_words]` asks for it, `set/ID`: JSON with `token`, `at`, `running`,
`carries` and, if known, `load_w`, the site's word on a generator. Nothing else that comes by a broker acts on anything, but, where the channel says `takes_answers`,
`answer`: JSON with `answer`, the `answer_token` of a message that came by webhook or command, and if wanted `minutes` (until its
reader is there) and `note`; or the token alone, as text. It acknowledges the incident as the link in a message does: signed, for whom it was
sent to, for a day, once by either way. It is for sites into which nobody has a way, such as with a gateway to telephones that also speaks
to the broker; what is retained there, or is no token of ours, is passed over with a line in the log.

## To a centre

A channel that says `tells_centre` tells a centre of several sites (`ridethrough centre`), below `TOPICS_BELOW/COLLECTOR/centre/`. It is told for that
program, in its own plain form, JSON packed by zlib (RFC 1950): `{"start", "number", "at", "part"}`, `start` naming the run of the teller, `number` counting since then,
`part` the values under the ids of the site. All is retained for 7 days but `beat`; how fresh it is, `beat` alone says.

| topic | part | when |
| --- | --- | --- |
| `plant` | what is installed, the version of the estate file and of the program; no address, no person, no secret | at each connection |
| `system/ID` | verdicts, hold-up, the readings of its units, whether they may be taken out | at once when people would act on it; figures alone at most every 10 s, on the banks every second |
| `bank/ID` | capacity, dates, discharges | when it was judged |
| `alarms` | all that are not normal, the open incidents, who was told of them | at each change |
| `record` | lines of the journal, numbered, behind the last that the centre has, and the incidents they name | until the centre has them |
| `beat` | within how many seconds the next one comes | every 5 s |
| `had` | the centre's own: up to which number it has the journal of which `book` | whenever it has more, and at each connection |

A system of two units takes 4 kB each time, some 35 MB a day at rest. `had` is all that a site reads of a centre. It says from which line on the journal is told again, and acts on nothing: what people do at a centre comes by the site's HTTP interface.

## By webhook

`POST` of one CloudEvents 1.0 event (structured mode, `application/cloudevents+json`). Where the channel names a secret the
request is signed as Standard Webhooks describe: `webhook-id` (the event's `id`), `webhook-timestamp` (seconds since 1970, of
this attempt) and `webhook-signature`, `v1,` and the base64 of HMAC-SHA256 over `ID.TIMESTAMP.BODY`; the key is what is behind
`whsec_` (base64), or the secret's own bytes. Any answer of 200 to 299 is taken as an acknowledgement. 400, 410, 413, 415 and
422 mean that it is not to be sent again; 429 and all else that it is tried again later, with growing waits. Redirects are
not followed. Whoever takes it in should refuse timestamps more than five minutes off, and drop an `id` it has had.

| `type` | payload |
| --- | --- |
| `ridethrough.incident.opened`, `.changed`, `.escalated`, `.closed` | `incident-event` |
| `ridethrough.heartbeat` | `heartbeat-event`, to the channels of `heartbeat_by` |

## By command

The same event as by webhook, one line on standard input, for each message one run of the program. Exit code 0 is an
acknowledgement, 65 means that it is not to be sent again, any other that it is tried again later.

## Answers by mail

Where a mail channel names `replies`, a Maildir on this machine into which the site's mail server delivers what comes for `sender`, each
message ends with `[have-it:TOKEN]`, and a reply that quotes it takes the incident on, once, within a day, for whom the message was sent
to. Its first line goes to the others: a number alone is the minutes until its writer is there. A reply that a machine sent by itself
(`Auto-Submitted`, RFC 3834) answers nothing. `From` is not believed, only the token; so a message is passed on only to whom one would have answer.

## After the way to somebody was down

What was published to a broker comes as it was, in order. A message to a person that comes more than two minutes late, other than by
`most_messages`, is not sent as it was written: all that waits for that person goes as one, whose `incident` is the one it is about or,
of several, begins with `late-`. It says how long it is late, first what is not over, with the time left counted to then, and then what
came and is over (`kind` is `closed` where all of it is).

## A sign of life, and what to do when it ends

A service that is dead tells nobody so. `heartbeat_by` of `[delivery]` names channels that get `ridethrough.heartbeat` every
`heartbeat_every_s`, and each broker has `alive`; both say within how many seconds the next one comes (`next_within_s`). Whoever
watches has to be elsewhere: on another machine, fed by another system, better at another site. It warns when that time is over, by a
way of its own. A second collector at another site is one such (`collectors`): what it does not hear is an alarm there.

When it ends: 1. look at the page; where it answers, the way is at fault and not the service. 2. Look at the machine: is it
fed, does `systemctl status ridethrough` say why it ended, is the disk full? 3. Until it runs again nobody is told of an outage: have
somebody at the site look at the cabinets' displays, hourly where nothing is wrong. 4. What fell into the time without
it stands in no history: the units' own logs have it.

## By syslog

One line for each message of a person whose `reach` names a channel of the kind `syslog`, over TCP behind its length (RFC 6587), by
TLS unless that is switched off (RFC 5425). RFC 5424: the facility is the channel's, the message id `opened`, `changed`,
`escalated` or `closed`. Structured data: `alarm` (RFC 5674) with `resource` (the place), `perceivedSeverity` (`cleared` where it
is over), `probableCause` (`powerProblem` of an outage, else `other`) and `eventType`; `origin` with `software`. Severity by
table 3.1 there: critical is alert, major critical, minor error, warning warning, what is over notice. The text is UTF-8
behind a byte order mark: what is so, what to do, and in brackets the incident. Syslog answers nothing: what the connection took counts as told.

## By SNMP

For a station that takes notifications: each message of a person whose `reach` names a channel of the kind `snmp` is an inform of
version 2c (RFC 3416). A trap is lost without a word; an inform is acknowledged, and until it is it is sent again, three times at once and
then with growing waits, each time under the same request id. The community goes over the network in clear, so this is for a
network of its own. The notification is `ARC.0.1` (opened), `.2` (changed), `.3` (escalated) or `.4` (closed); `ARC` is `oid_below`,
`1.3.6.1.4.1.32473.8470` where it is left out (the number that RFC 5612 keeps for examples). Behind `sysUpTime.0` and
`snmpTrapOID.0` it carries, texts in UTF-8 of at most 255 octets, moments as RFC 3339 and empty where there is none:

| object | holds |
| --- | --- |
| `ARC.1.1.0` | the incident's id |
| `ARC.1.2.0` | severity as RFC 3877 numbers it: 1 cleared, 3 critical, 4 major, 5 minor, 6 warning |
| `ARC.1.3.0` | when it was so |
| `ARC.1.4.0`, `ARC.1.5.0` | id of the site, and of what it is about |
| `ARC.1.6.0`, `ARC.1.7.0`, `ARC.1.8.0` | `what`, `do` and `short` of the message |
| `ARC.1.9.0` | the last moment to do it |
| `ARC.1.10.0` | 1 where somebody must act now, else 2 |
| `ARC.1.11.0` | when it began |
"""


def messages_markdown() -> str:
    """Return the reference of all that is sent to other programs as Markdown, with an example of each."""
    parts = [MESSAGES_HEAD]
    for name, form in payloads.FORMS.items():
        document = form.model_json_schema()
        parts += [f"## `{name}`\n\n{form.__doc__}\n", "| key | takes | meaning |", "| --- | --- | --- |"]
        parts += _keys(document, document, "")
        example = (EXAMPLES / f"{name}.json").read_text("utf-8")
        parts.append(f"\n```json\n{example}```\n")
    return "\n".join(parts)


def _keys(document: dict[str, Any], schema: dict[str, Any], within: str) -> Iterator[str]:
    """Yield a row for each key of a payload; those of a list's items stand behind `[]`."""
    for name, field in schema["properties"].items():
        inner = field.get("items", field)
        place = f"{within}{name}" + ("[]" if "items" in field else "")
        named = [one["$ref"] for one in (inner, *inner.get("anyOf", ())) if "$ref" in one]
        takes = _takes(field, null=True) if not named else "object"
        yield _cells(f"`{place}`", takes, field.get("description", ""))
        for ref in named:
            yield from _keys(document, document["$defs"][ref.rsplit("/", 1)[-1]], f"{place}.")


def schema_text(name: str) -> str:
    """Return the JSON Schema of a payload as it stands in its file."""
    schema = payloads.FORMS[name].model_json_schema()
    return json.dumps({"$schema": DIALECT, **schema}, indent=2, ensure_ascii=False) + "\n"


DIALECT = "https://json-schema.org/draft/2020-12/schema"
EXAMPLES = HERE.parent / "tests" / "data" / "messages"
ANSWERS = HERE.parent / "tests" / "data" / "answers"
WIDTH = 120
SCHEMAS = {f"schemas/{name}.json": partial(schema_text, name) for name in payloads.FORMS}

REFERENCES = {
    "SETTINGS.md": settings_markdown,
    "ALARMS.md": catalogue_reference,
    "HTTP.md": http_markdown,
    "MESSAGES.md": messages_markdown,
    **SCHEMAS,
}

if __name__ == "__main__":
    for name, render in REFERENCES.items():
        (HERE / name).write_text(render(), encoding="utf-8")
        print(f"wrote deploy/{name}")
