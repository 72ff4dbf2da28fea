"""Writes the references that stand beside this file: SETTINGS.md, ALARMS.md and HTTP.md, from the code itself.

Run it after changing a setting, an alarm or a path; a test compares the files with what it would write.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from api.app import openapi
from api.http.doors import BODY_S, LARGEST_BODY_BYTES
from api.http.problems import MEANS
from api.http.said import LONGEST_NAME, LONGEST_NOTE
from collector.configuration import settings_notes, settings_reference
from collector.configuration.impossible import LEAST_VA, MOST_VA
from collector.configuration.plausibility import LEAST_SET_W, MOST_BANK_V
from rules.alarms.catalogue import catalogue_reference

HERE = Path(__file__).resolve().parent


CHECK_DOUBTS = (
    "Each line of it reads FILE:LINE: place: want ...; got ... A fault is what the service cannot run with: besides what is",
    f"no TOML or leads nowhere, ratings under {LEAST_VA:g} VA (kVA written as VA) or over {MOST_VA / 1e6:g} MVA, a set under {LEAST_SET_W:g} W, a",
    f"string over {MOST_BANK_V:g} V, and blocks that equal the cells of a bank that could then not carry its unit. Days to come are a",
    "fault for `check` alone: a service goes on where its computer's clock was lost. A warning is what the site ought to",
    "answer or set right: blocks or cells of a size hardly made, a set smaller than what it must carry and charge, load groups",
    "above the rating of their units or without a figure for each line, a partner at another site, and the hours in which a",
    "critical or major alarm of a system reaches nobody.",
)


def settings_markdown() -> str:
    """Return the reference of the estate file and the secrets file as Markdown."""
    parts = [
        "# The settings\n",
        "Every table and key of the estate file (TOML), and of the secrets file beside it. `ridethrough check` names every",
        "fault in a file. `example-estate.toml` is a whole one with notes.\n",
        *CHECK_DOUBTS,
    ]
    table = ""
    for setting in settings_reference():
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
        "(RFC 9457). The whole of it, machine-readable, is at `/openapi.json`. What comes under another name than this machine's,",
        "or from another site's page, is refused with 403; so is the site's word where no token is set. Where too much is asked",
        "at once, something is not known yet, or a store cannot be read, any path answers 503. A body of more than",
        f"{LARGEST_BODY_BYTES // 1024} kB is refused with 413 before it is read, and one that takes longer than {BODY_S:g} s with 408. Names have",
        f"up to {LONGEST_NAME} characters and notes up to {LONGEST_NOTE}, printable and in one line.\n",
        "`because` is for people: a sentence, or several, whose wording may change. Beside it `reasons` gives the same to programs,",
        "as far as it has been brought into that form: `code`, which keeps its name, `about`, an id or empty, and `args`, figures in",
        'SI units, days (`{"day": …}`), moments, names, and reasons within the reason.',
    ]
    for path, methods in document["paths"].items():
        for method, told in methods.items():
            parts.append(f"\n## `{method.upper()} {path}`\n\n{told['description']}")
            refused = [
                f"- {status}: {answer['description']}"
                for status, answer in sorted(told["responses"].items())
                if status not in {"200", "303", "403", "408", "413"}
                and (status, answer["description"]) != ("503", MEANS[503])
            ]
            if refused:
                parts += ["\nBeside 200:\n", *refused]
            rows = [*_parameters(told), *_body(document, told)]
            if rows:
                parts += ["\n| asked for | where | takes | meaning |", "| --- | --- | --- | --- |", *rows]
            rows = list(_answer(document, told))
            if rows:
                parts += ["\n| gives | is | meaning |", "| --- | --- | --- |", *rows]
    return "\n".join(parts) + "\n"


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


def _answer(document: dict[str, Any], told: dict[str, Any]) -> Iterator[str]:
    schema = told["responses"].get("200", {}).get("content", {}).get("application/json", {}).get("schema", {})
    yield from _fields(document, schema, "")


def _fields(document: dict[str, Any], schema: dict[str, Any], within: str) -> Iterator[str]:
    """Yield a row for each field of an answer; those of a list's items stand behind `[]`."""
    if "$ref" not in schema:
        return
    whole = document["components"]["schemas"][schema["$ref"].rsplit("/", 1)[-1]]
    for name, field in sorted(whole.get("properties", {}).items(), key=lambda one: one[0] == "next"):
        place, inner = f"{within}{name}", field
        if field.get("type") == "array":
            place, inner = f"{place}[]", field["items"]
        if "$ref" in inner:
            yield from _fields(document, inner, f"{place}.")
        else:
            yield _cells(f"`{place}`", _takes(inner, null=True), field.get("description", ""))


def _row(name: str, where: str, schema: dict[str, Any], meaning: str) -> str:
    return _cells(f"`{name}`", where, _takes(schema), meaning)


def _cells(*cells: str) -> str:
    return "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"


def _takes(schema: dict[str, Any], *, null: bool = False) -> str:
    """Return in a word or two what a value may be; that it may be null only where `null`."""
    if "anyOf" in schema:
        return " or ".join(_takes(one) for one in schema["anyOf"] if null or one.get("type") != "null")
    if schema.get("format") == "date-time":
        return "time"
    if "$ref" in schema:
        return str(schema["$ref"]).rsplit("/", 1)[-1]
    if "enum" in schema:
        return ", ".join(f"`{value}`" for value in schema["enum"])
    if schema.get("type") == "array":
        return "list of " + _takes(schema.get("items", {}))
    return str(schema.get("type", "any"))


REFERENCES = {
    "SETTINGS.md": settings_markdown,
    "ALARMS.md": catalogue_reference,
    "HTTP.md": http_markdown,
}

if __name__ == "__main__":
    for name, render in REFERENCES.items():
        (HERE / name).write_text(render(), encoding="utf-8")
        print(f"wrote deploy/{name}")
