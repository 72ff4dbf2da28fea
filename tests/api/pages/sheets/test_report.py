"""Printed reports: whole in themselves, nothing to press, safety words on each."""

from __future__ import annotations

import re
from base64 import b64encode
from dataclasses import replace
from datetime import date
from hashlib import sha256

import pytest

from api.pages.markup.elements import render
from api.pages.markup.frame import SAFETY
from api.pages.sheets import report as reports
from api.pages.sheets.report import Report, document, style_hash
from api.pages.sheets.system_sheet import system_page
from rules.phrasing.safety import ADVICE_ONLY
from rules.planning.programme.programme import Job, Programme, ProgrammeRow, ServiceItem, Terms, programme
from rules.planning.ridethrough.result import Happening, Ridethrough
from rules.values.code import Code
from rules.values.reason import reason, told
from rules.values.verdict import Verdict
from tests.api.pages import samples
from tests.api.pages.sheets.test_registry import Checker

RIDE = Ridethrough(
    "works", Verdict.INADEQUATE, (told("The load is lost 21.5 min after the start at the earliest."),), 0.4, None, None,
    (Happening(reason(Code.HAPPENS_BANK_ENDS), "3", 950.0, 1000.0, 1100.0, 0.9),), (), (told("The load stands as given."),),
)  # fmt: skip


def jobs() -> Programme:
    fans = ServiceItem(Job.FANS, "W1", "valley", date(2020, 3, 1), every_years=5.0)
    return programme(
        samples.estate(),
        samples.banks(),
        samples.NOW.date(),
        service=[fans],
        terms=Terms(budget_month=4, price_per_block=90.0),
    )


def every() -> dict[str, Report]:
    sheet = samples.short()
    found = {
        "estate": reports.estate_report(sheet, jobs()),
        "programme": reports.programme_report(sheet, jobs()),
        "system": reports.system_report(sheet, "works"),
        "bank": reports.bank_report(sheet, "3"),
        "isolation": reports.isolation_report(sheet.isolations[1]),
        "plan": reports.ride_report(sheet, [RIDE], "what was known"),
    }
    return {name: report for name, report in found.items() if report is not None}


def read(html: str) -> str:
    body = html[html.index("</head>") :]
    return re.sub(r"\\s+", " ", re.sub(r"<[^>]*>", "", body))


@pytest.mark.parametrize("name", ["estate", "programme", "system", "bank", "isolation", "plan"])
def test_every_report_needs_nothing_else_and_has_nothing_to_press(name: str) -> None:
    html = document(samples.short(), every()[name])
    checker = Checker()
    checker.feed(html)
    assert [f for f in checker.faults if f != "inline style"] == []  # its own styles are all it has inline
    assert checker.open == []
    assert not re.search(r"<(a|form|button|input|script|link|nav)[ >]", html)
    assert "src=" not in html
    said = read(html)
    assert SAFETY.split(".")[0] in said.replace("&#39;", "\u2019")
    assert ADVICE_ONLY.split(".")[0] in said
    assert "Judged Tue 24 Nov 2026" in said


def test_every_fold_of_a_report_is_open() -> None:
    html = document(samples.short(), every()["estate"])
    folds = re.findall(r"<details[^>]*>", html)
    assert folds
    assert all("open" in fold for fold in folds)


def test_the_page_itself_keeps_its_links() -> None:
    page = system_page(samples.short(), "works")
    assert page is not None
    before = "".join(render(part) for part in page.body)
    document(samples.short(), every()["system"])
    assert "<a " in before
    assert "".join(render(part) for part in page.body) == before


def test_the_programme_says_dates_reasons_costs_and_what_is_late() -> None:
    said = read(document(samples.short(), every()["programme"]))
    assert ", past" in said
    assert "Renew fans of W1" in said
    assert "Cost by budget year" in said
    assert "last done 1 Mar 2020" in said


def test_a_plan_says_its_answer_what_happens_when_and_what_was_not_checked() -> None:
    said = read(document(samples.short(), every()["plan"]))
    assert "The load is not carried through." in said
    assert "bank ends 3 (in 90 of 100 courses)" in said
    assert "15:50" in said  # 950 s
    assert "changeover gear" in said


def test_what_a_card_says_is_escaped_on_paper_too() -> None:
    sheet = samples.hostile()
    row: ProgrammeRow = replace(jobs().rows[0], what=told(samples.HOSTILE), because=told(samples.HOSTILE))
    whole = replace(jobs(), rows=(row,), undated=(told(samples.HOSTILE),))
    html = document(sheet, reports.estate_report(sheet, whole))
    assert "<script" not in html
    assert "<img" not in html


def test_a_place_that_is_not_there_has_no_report() -> None:
    assert reports.system_report(samples.short(), "nowhere") is None
    assert reports.bank_report(samples.short(), "nowhere") is None


def test_the_policy_names_the_styles_that_stand_in_the_report() -> None:

    html = document(samples.good(), every()["programme"])
    styles = html[html.index("<style>") + 7 : html.index("</style>")]
    assert style_hash() == "sha256-" + b64encode(sha256(styles.encode()).digest()).decode()
