"""The form that brings a past test of a bank: a log pasted as it is, with who vouches for it."""

from __future__ import annotations

from typing import Final
from urllib.parse import quote

from api.pages.markup.elements import Element, el
from api.pages.markup.form_button import act
from api.pages.markup.frame import question
from collector.read_model.sheet import Sheet

LONGEST_LOG: Final = 60_000
"""Characters: a row a second for half an hour."""


def past_test(sheet: Sheet, bank: str) -> Element | None:
    """Return the form, None where nothing is carried out here."""
    if not sheet.acts:
        return None
    fields = [
        el(
            "label",
            "Time of the first row, with its zone ",
            el("input", name="at", required=True, placeholder="2024-05-26T09:00Z", maxlength="40"),
        ),
        el(
            "label",
            "It was ",
            el(
                "select",
                el("option", "a test or an outage", value="import"),
                el("option", "the acceptance test of new blocks", value="acceptance"),
                name="kind",
            ),
        ),
        el(
            "label",
            "The log as a file ",
            el("input", type="file", accept=".csv,.txt,text/csv,text/plain", data_into="csv"),
        ),
        el(
            "label",
            "or pasted: comma-separated, its first line naming the columns ",
            el(
                "textarea",
                name="csv",
                rows="6",
                required=True,
                maxlength=str(LONGEST_LOG),
                spellcheck="false",
            ),
        ),
    ]
    form = act(f"/v1/banks/{quote(bank, safe='')}/past-tests", "Bring a past test…", bank, fields, quiet=True)
    return question(
        None,
        "A past test",
        "Columns: t_s in seconds from the first row, and any of bank_voltage_v, bank_current_a, temperature_c, "
        "output_power_w. It is judged within a minute.",
        el("div", form, class_="acts"),
        id_="past-test",
    )
