"""Writes the references that stand beside this file: SETTINGS.md and ALARMS.md, from the code itself.

Run it after changing a setting or an alarm; a test compares the files with what it would write.
"""

from __future__ import annotations

from pathlib import Path

from collector.configuration import settings_reference
from rules.alarms.catalogue import catalogue_reference

HERE = Path(__file__).resolve().parent


def settings_markdown() -> str:
    """Return the reference of the estate file and the secrets file as Markdown."""
    parts = [
        "# The settings\n",
        "Every table and key of the estate file (TOML), and of the secrets file beside it. `ridethrough check` names every",
        "fault in a file. `example-estate.toml` is a whole one with notes.",
    ]
    table = ""
    for setting in settings_reference():
        within, _, key = setting.place.rpartition(" ")
        if within != table:
            table = within
            parts += [f"\n## {within}\n", "| key | takes | left out | meaning |", "| --- | --- | --- | --- |"]
        cells = (f"`{key}`", setting.type, setting.default, setting.description)
        parts.append("| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |")
    return "\n".join(parts) + "\n"


REFERENCES = {"SETTINGS.md": settings_markdown, "ALARMS.md": catalogue_reference}

if __name__ == "__main__":
    for name, render in REFERENCES.items():
        (HERE / name).write_text(render(), encoding="utf-8")
        print(f"wrote deploy/{name}")
