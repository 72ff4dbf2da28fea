"""What stands on a sheet stands there once, and one figure has one form."""

import re
from collections import Counter
from dataclasses import replace

import pytest

from api.pages.alarms.alarm_list import brief
from api.pages.hold_up.depth import in_depth
from api.pages.hold_up.sentences import judged
from api.pages.markup.elements import render
from api.pages.sheets import registry as sheets
from collector.read_model.sheet import LearntCorrection, ShownStarts
from collector.read_model.wall_clock import WallClock
from rules.battery.state import BankFinding, CardClaims
from rules.plant.reading import Doubt, DoubtKind
from rules.values.code import Code
from rules.values.reason import reason, told
from rules.values.severity import Severity
from rules.values.verdict import Verdict
from tests.api.pages import samples
from tests.api.pages.sheets.test_registry import check

CLOCK = WallClock("UTC", samples.NOW)


def prose(html: str) -> list[str]:
    """Return the sentences of a sheet that are long enough to be read, forms left out: each alarm has its own."""
    html = re.sub(r"<(form|script|style|title)\b.*?</\1>", " ", html, flags=re.DOTALL)
    blocks = re.findall(
        r"<(?:p|li|h1|h2|summary)\b[^>]*>(.*?)</(?:p|li|h1|h2|summary)>", html, flags=re.DOTALL
    )
    said = [" ".join(" ".join(check(f"<p>{block}</p>").text).split()) for block in blocks]
    return [one for text in said for one in re.split(r"(?<=[.;:]) ", text) if len(one) > 60]


@pytest.mark.parametrize("name", sorted(set(samples.ALL) - {"hostile"}))  # there all names are one
def test_on_no_sheet_of_the_small_estate_a_sentence_stands_twice(name: str) -> None:
    sheet = samples.ALL[name]()
    places = ["/", "/alarms", "/banks", *(f"/systems/{system}" for system in sheet.estate.systems)]
    places += [*(f"/banks/{bank}" for bank in sheet.estate.banks), f"/units/{next(iter(sheet.estate.units))}"]
    twice: dict[str, int] = {}
    for address in places:
        html = sheets.render_at(sheet, address)
        assert html is not None
        twice |= {f"{address}: {one}": n for one, n in Counter(prose(html)).items() if n > 1}
    assert twice == {}


def test_what_the_card_promised_is_said_by_the_finding_or_by_the_figure() -> None:
    sheet = samples.short()
    bank = next(b for b in sheet.banks if b.id == "3")
    state = replace(bank, claims=CardClaims(13, 1.4, 1.9, 0), findings=())
    wrong = BankFinding(
        "card_claims_wrong",
        reason(Code.CARD_PROMISES_WRONG, ratio=1.4, discharges=3, missed=0),
        told("Do not plan by it."),
        Severity.WARNING,
    )

    def shown(*findings: BankFinding) -> str:
        banks = tuple(replace(state, findings=findings) if b.id == "3" else b for b in sheet.banks)
        return sheets.bank(replace(sheet, banks=banks), "3") or ""

    assert "13 discharges its card promised" in shown()
    assert "13 discharges its card promised" not in shown(wrong)
    assert "median of 3 discharges" in shown(wrong)


def test_what_the_head_says_of_what_holds_is_no_ground_of_it() -> None:
    sheet = samples.short()
    state = sheet.system("control")
    assert state is not None
    need = replace(
        state.requirements[0],
        verdict=Verdict.ADEQUATE,
        because=(
            reason(Code.HOLDS_ONE_LOST, held_s=696.0, needed_s=106.0, worst="A1", all_s=1848.0),
            told("The load is as of now."),
        ),
    )
    shown = render(in_depth(sheet, judged(sheet, replace(state, requirements=(need,)))))
    assert "needs 106 s" not in shown
    assert "The load is as of now." in shown


def test_why_alarms_are_held_back_is_said_once_for_those_alike() -> None:
    one = replace(samples.alarms()[1], state="suppressed_by_design", because=("another alarm",))
    others = [replace(one, id=str(n), what=f"Unit {n} draws from its bank.") for n in range(3)]
    html = render(brief([one, *others, replace(one, id="x", because=("a planned test",))], CLOCK))
    assert html.count("another alarm") == 1
    assert html.count("a planned test") == 1
    assert html.count("<li") == 5


def test_what_was_learnt_of_a_card_names_a_reason_that_stands_above_by_where_it_stands() -> None:
    sheet = samples.short()
    why = "has not been seen to change its sign"
    views = tuple(
        replace(
            view,
            reading=replace(
                view.reading,
                doubts=(Doubt("upsBatteryCurrent", DoubtKind.SIGN, why, 100),),
            ),
            learnt=ShownStarts(
                "card",
                (
                    LearntCorrection("upsBatteryCurrent", "sign", why, "direction", 1.0, 0.0, 3, False),
                    LearntCorrection(
                        "upsBatteryVoltage", "scale", "is ten times too much", "linear", 0.1, 0.0, 5, False
                    ),
                ),
            ),
        )
        if view.id == "W1" and view.reading is not None
        else view
        for view in sheet.units
    )
    html = sheets.unit(replace(sheet, units=views), "W1") or ""
    assert html.lower().count(why) == 1
    assert "as above, by three samples" in html
    assert "is ten times too much (by five samples)" in html
