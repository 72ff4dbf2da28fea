"""Every sheet in every situation: well-formed, nothing inline, every text escaped, unknown never a figure."""

import re
from dataclasses import replace
from datetime import timedelta
from html.parser import HTMLParser
from pathlib import Path

import pytest

from api.pages.hold_up.sentences import KNOWN
from api.pages.markup.assets import ASSETS, STYLES, asset, csp_header
from api.pages.markup.elements import VOID
from api.pages.sheets import registry as sheets
from api.pages.sheets.unit_sheet import unit_page
from api.pages.units.redundancy import verdict as redundancy_words
from collector.read_model.own_figures import OwnFigures
from collector.read_model.sheet import AbsentLine, LearntCorrection, Sheet, ShownStarts
from rules.battery.state import BankFinding, TestPlan
from rules.system.state import Finding, FindingKind, LoadBasis, PartnerVerdict, RedundancyAt
from rules.values.reason import told
from rules.values.severity import Severity
from rules.values.verdict import EndKnown, Verdict
from tests.api.pages import samples, shutdowns

ADDRESSES = ("/", "/systems/control", "/systems/works", "/systems/depot", "/units/W3", "/units/D1", "/banks")
MORE = ("/banks/3", "/banks/D", "/alarms")
SVG_TAGS = {"svg", "g", "path", "line", "rect", "circle", "polygon", "text", "defs", "pattern"}


class Checker(HTMLParser):
    """Holds the tags to be closed in order, and gathers what a page must not have."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.faults: list[str] = []
        self.ids: list[str] = []
        self.text: list[str] = []
        self.unnamed: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        values = dict(attrs)
        if tag == "style" or (tag == "script" and not values.get("src")):
            self.faults.append(f"inline {tag}")
        self.faults += [f"{name} on {tag}" for name in values if name == "style" or name.startswith("on")]
        if len(values) != len(attrs):
            self.faults.append(f"an attribute twice on {tag}")
        if values.get("id"):
            self.ids.append(str(values["id"]))
        if tag == "svg" and values.get("role") == "img" and not values.get("aria-label"):
            self.unnamed.append(str(attrs))
        if (
            tag == "svg"
            and not values.get("role")
            and not values.get("aria-hidden")
            and "svg" not in self.open
        ):
            self.unnamed.append(str(attrs))
        for name in ("href", "src", "action"):
            target = values.get(name)
            if target is not None and not target.startswith(("/", "#", "tel:")):
                self.faults.append(f"{name} to {target}")
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.faults.append(f"closed {tag} out of order")

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def check(html: str) -> Checker:
    checker = Checker()
    checker.feed(html)
    checker.close()
    return checker


def pages(sheet: Sheet) -> dict[str, str]:
    made = {address: sheets.render_at(sheet, address) for address in (*ADDRESSES, *MORE)}
    return {address: html for address, html in made.items() if html is not None}


SITUATIONS = {**samples.ALL, **shutdowns.ALL}


@pytest.fixture(scope="module", params=sorted(SITUATIONS))
def rendered(request: pytest.FixtureRequest) -> tuple[str, dict[str, str]]:
    return request.param, pages(SITUATIONS[request.param]())


def test_every_page_is_well_formed_and_has_nothing_inline(rendered: tuple[str, dict[str, str]]) -> None:
    for address, html in rendered[1].items():
        found = check(html)
        assert (address, found.faults, found.open) == (address, [], [])


def test_ids_stand_once_and_every_drawing_has_its_answer_as_a_name(
    rendered: tuple[str, dict[str, str]],
) -> None:
    for address, html in rendered[1].items():
        found = check(html)
        assert (address, sorted(set(found.ids))) == (address, sorted(found.ids))
        assert (address, found.unnamed) == (address, [])


def test_every_hatch_and_clip_that_is_referred_to_is_there(rendered: tuple[str, dict[str, str]]) -> None:
    for html in rendered[1].values():
        ids = set(check(html).ids)
        assert set(re.findall(r"url\(#([^)]+)\)", html)) <= ids


def test_hostile_text_is_shown_as_text_and_never_as_markup() -> None:
    for html in pages(samples.hostile()).values():
        assert "<script>alert" not in html
        assert "<img" not in html
        assert 'onload="y"' not in html
        assert "\x07" not in html
        assert "\u202e" not in html
    shown = "".join(check(sheets.index(samples.hostile())).text)
    assert "<script>alert('x')</script>" in shown


def test_what_is_not_known_is_a_word_and_never_nought() -> None:
    html = re.sub(r'<div class="letters">.*?</div>', "", sheets.index(samples.silent()))  # axes begin at 0
    shown = " ".join(check(html).text)
    assert "cannot tell" in shown
    assert "0 of 6 units answer" in shown
    assert not re.search(r"(?<![\d.:])0(?:\.0)? (?:min|kW|kVA|V|%)", shown)
    unit = sheets.unit(samples.silent(), "W1")
    assert unit is not None
    assert "has never been read" in unit


def test_a_bank_that_nothing_was_seen_of_is_unproven_in_words_with_what_would_tell_and_no_overdue_figure() -> (
    None
):
    html = sheets.bank(samples.short(), "D")
    assert html is not None
    shown = " ".join(check(html).text)
    assert "is unproven: no discharge of it tells enough yet" in shown
    assert "By its age alone it comes to its end 2026 to 2031." in shown
    assert shown.index("Import a past test") < shown.index("Let bank D carry")
    assert "verdue" not in shown
    assert "50 to 95" not in shown  # the interval of an assumption is no figure


def test_the_day_to_replace_a_bank_by_is_no_finer_than_its_end_is_known() -> None:
    html = sheets.bank(samples.short(), "2")  # 30 Jun 2027; its end is known to over three years
    assert html is not None
    assert "30 Jun 2027" not in " ".join(check(html).text)
    assert "Jun 2027" in " ".join(check(html).text)


def test_redundancy_names_the_unit_gone_and_the_banks_not_shown_beside_it() -> None:
    rest = samples.short()
    state = next(
        s for s in rest.systems if s.redundancy is not None and s.redundancy.verdict is Verdict.ADEQUATE
    )
    assert state.redundancy is not None
    beside = replace(
        state.redundancy, gone=("d1",), unproven_banks=("d3",), margin_w=6_600.0, tightest_line=3
    )
    said = redundancy_words(beside)
    assert "With d1 gone, 6.6 kW left on L3" in said
    assert said.endswith("; bank d3 unproven.")


def test_a_unit_with_values_that_are_not_known_says_so() -> None:
    html = sheets.unit(samples.short(), "D1")
    assert html is not None
    shown = " ".join(check(html).text)
    assert "not known" in shown
    assert "has been silent for" in shown


def test_a_silent_card_has_one_age_on_its_units_sheet() -> None:
    sheet = samples.short()
    silent = next(view for view in sheet.units if view.silent_since is not None)
    assert silent.silent_since is not None
    later = replace(
        silent, silent_since=silent.silent_since + timedelta(seconds=75)
    )  # its first question without an answer
    page = sheets.render_at(
        replace(sheet, units=tuple(later if v is silent else v for v in sheet.units)), f"/units/{silent.id}"
    )
    assert page is not None
    text = " ".join("".join(check(page).text).split())
    assert "has been silent for 3 h 10 min" in text
    assert "Live part last read at 11:20:04." in text
    assert "old;" not in text


def test_sentences_name_no_objects_of_the_standard() -> None:
    """RFC 1628's names stand apart, small, for whoever looks them up; what is said is said in words."""
    for sheet in (samples.outage(), samples.short()):
        for address, html in pages(sheet).items():
            said = re.sub(r"<small>.*?</small>", "", html)
            assert (address, re.findall(r"upsAlarm\w+", said)) == (address, [])
    unit = sheets.unit(samples.outage(), "W1")
    assert unit is not None
    assert "By its card, the unit draws from its bank." in unit


def test_a_verdict_that_cannot_tell_promises_no_margin() -> None:
    shown = " ".join(check(sheets.index(samples.unknown())).text)
    depot = shown[shown.index("Depot  cannot be judged") :] if "Depot  cannot be judged" in shown else shown
    assert "Never shown to carry it" in shown or "never shown to carry it" in shown
    assert "+12" not in depot.split("Control centre", 1)[0]


def test_the_worst_unit_is_named_and_the_shortfall_is_rounded_up() -> None:
    shown = re.sub(r"\s+", " ", "".join(check(sheets.index(samples.short())).text))
    assert (
        "One of three systems would fall short with a unit lost, one cannot be judged. First, at Treatment works, now: renew bank 3."
        in shown
    )
    assert "Rides through with all three units; with unit W1 or W2 lost, 1.7 min short." in shown
    assert "Rides through, and would with either unit lost." in shown


def test_what_has_no_data_is_left_out_and_not_faked() -> None:
    html = sheets.index(samples.good())
    assert 'id="q5"' not in html
    assert 'id="q6"' not in html
    assert "How well it foretold" not in html
    assert "No alarm is active." in html


def test_in_the_second_in_which_units_went_to_their_banks_no_sheet_says_that_all_is_calm() -> None:
    began = replace(samples.outage(), alarms=())
    for address in ("/", "/alarms", "/systems/works"):
        html = pages(began)[address]
        assert "No alarm is active" not in html
        assert "No alarm stands yet: what has just begun is told once it has lasted for some seconds." in html


def test_during_an_outage_that_system_comes_first_and_the_others_shrink() -> None:
    html = sheets.index(samples.outage())
    assert "is on its banks" in html
    assert "How long it still holds" in html
    assert html.index("Treatment works") < html.index("The others")
    assert 'id="q2"' not in html
    assert 'id="q1"' in sheets.index(samples.short())


def test_an_outage_nobody_hears_goes_on_as_reckoned() -> None:
    shown = " ".join(check(sheets.index(samples.outage(heard=False))).text)
    assert "reckoned since" in shown


@pytest.mark.parametrize("known", EndKnown)
def test_an_outage_says_in_words_how_well_its_end_is_known(known: EndKnown) -> None:
    sheet = samples.outage()
    states = tuple(
        replace(s, on_battery=s.on_battery and replace(s.on_battery, known=known)) for s in sheet.systems
    )
    shown = " ".join(check(sheets.index(replace(sheet, systems=states))).text)
    assert {word for word in EndKnown if KNOWN[word] in shown} == {known}
    assert not any(words in " ".join(check(sheets.index(sheet)).text) for words in KNOWN.values())


def test_pages_that_are_not_there_are_none() -> None:
    sheet = samples.short()
    for address in ("/systems/nobody", "/units/nobody", "/banks/nobody", "/else", "/systems/a/b"):
        assert sheets.render_at(sheet, address) is None


def test_every_system_unit_and_bank_has_a_sheet() -> None:
    sheet = samples.short()
    for kind, names in (
        ("systems", sheet.estate.systems),
        ("units", sheet.estate.units),
        ("banks", sheet.estate.banks),
    ):
        for name in names:
            assert sheets.render_at(sheet, f"/{kind}/{name}")


def test_every_local_link_leads_somewhere() -> None:
    sheet = samples.short()
    for html in pages(sheet).values():
        for target in re.findall(r'href="(/[^"#]*)"', html):
            # what is asked of the ledger, the history or the planner is made by its own route
            own = target.startswith(("/outages", "/plans")) or target.endswith(("/past", "/discharges"))
            assert own or asset(target) or sheets.render_at(sheet, target), target


def test_files_are_named_by_their_content_and_the_policy_allows_nothing_inline() -> None:
    assert re.fullmatch(r"/static/sheet\.[0-9a-f]{12}\.css", STYLES.url)
    assert asset(STYLES.url) is STYLES
    assert asset("/static/sheet.css") is None
    assert len(ASSETS) == 4
    name, policy = csp_header()
    assert name == "Content-Security-Policy"
    assert "unsafe" not in policy
    assert "default-src 'none'" in policy


def test_every_class_a_drawing_uses_is_in_the_sheet_of_styles() -> None:
    styles = STYLES.body.decode()
    used: set[str] = set()
    for sheet in SITUATIONS.values():
        for html in pages(sheet()).values():
            for names in re.findall(
                r'<(?:line|path|rect|circle|polygon|text|i)\b[^>]* class="([^"]*)"', html
            ):
                used |= set(names.split())
    assert {name for name in used if f".{name}" not in styles} <= {"big"}


def test_no_page_is_heavy() -> None:
    assert len(sheets.index(samples.short())) < 150_000
    assert len((Path(__file__).parents[4] / "api/pages/static/sheet.js").read_bytes()) < 20_000


def test_a_units_sheet_lists_what_was_learnt_about_its_card_and_its_weak_cipher() -> None:
    scaled = LearntCorrection(
        "upsOutputPower", "scale", "watts come in tens", "linear", 10.0, 0.0, 12, declared=False
    )
    told = LearntCorrection("upsBatteryTemperature", "scale", "tenths", "linear", 0.1, 0.0, 0, declared=True)
    learnt = ShownStarts("abc", (told, scaled), (AbsentLine("bypass", 3),))
    sheet = samples.short()
    view = sheet.unit("W3")
    assert view is not None
    assert view.card is not None
    view = replace(view, learnt=learnt, card=replace(view.card, notes=("MD5 is weak.",)))
    page = unit_page(replace(sheet, units=(view,)), "W3")
    assert page is not None
    text = " ".join("".join(check("".join(map(str, page.body))).text).split())
    assert "Output power, times 10: watts come in tens (by 12 samples)." in text
    assert "tenths (stated in the estate file)." in text
    assert "The unit has no bypass line 3." in text
    assert "MD5 is weak." in text


def test_a_pair_says_whether_one_takes_the_others_load_and_an_old_finding_has_its_day() -> None:
    sheet = samples.short()
    state = sheet.systems[0]
    pair = PartnerVerdict(
        partner=sheet.systems[1].id,
        verdict=Verdict.INADEQUATE,
        because=(
            told(
                "The load of Treatment works does not fit on line 2: both ask 21.10 kW, the units carry 18.00."
            ),
        ),
        as_of=sheet.now,
        margin_w=-3100.0,
        margin_fraction=-0.17,
        tightest_line=2,
        tightest_limit="w",
        basis=LoadBasis.PEAK_30D,
        at=(RedundancyAt(LoadBasis.NOW, Verdict.ADEQUATE, 1234.0, 0.07, 1, "va"),),
    )
    late = Finding(
        FindingKind.LATE_BACK, "C2", told("Unit C2 came back 35 s after C1."), 35.0, 20.0, at=sheet.now
    )
    paired = replace(state, partner=pair, findings=(late,))
    html = sheets.render_at(replace(sheet, systems=(paired, *sheet.systems[1:])), f"/systems/{state.id}")
    assert html is not None
    text = "".join(check(html).text)
    assert "too?" in text
    assert "does not fit on line 2" in text
    assert "At the load now 1.23 kW are left, tightest on L1, where volt-amperes decide." in text
    assert "In the outage of" in text
    assert "unit C2 came back 35 s after C1." in text
    alone = sheets.render_at(sheet, f"/systems/{state.id}")
    assert alone is not None
    assert "too?" not in "".join(check(alone).text)


def test_what_an_earlier_run_read_is_not_called_an_answer() -> None:
    good = samples.good()
    old = tuple(replace(view, age_s=960.0) for view in good.units)
    begun = replace(good, units=old, own=OwnFigures(0, 0, 0, None, 0.0, 0.0, 0, 0.0, 0, 0.0, 0.0))
    shown = " ".join(check(sheets.index(begun)).text)
    assert "units answer" not in shown
    assert f"none of {len(old)} units read since 16 min ago" in shown
    alarms = " ".join(check(pages(begun)["/alarms"]).text)
    assert "No alarm stands, but nothing was read since the start yet: that says nothing." in alarms
    assert "No alarm is active" not in alarms
    assert "units answer" in " ".join(check(sheets.index(good)).text)


def test_an_alarm_about_the_service_itself_stands_beside_an_outage() -> None:
    sheet = samples.outage()
    waits = replace(
        sheet.alarms[0], id="own", about="ridethrough", what="Readings wait 4 s to be judged.", system=None,
        incident=None,
    )  # fmt: skip
    far = replace(waits, id="far", about="D1", what="The depot does not answer.")
    shown = " ".join(check(sheets.index(replace(sheet, alarms=(*sheet.alarms, waits, far)))).text)
    assert waits.what in shown
    assert far.what not in shown  # another system's: it stands on its own page and among all alarms


def test_a_day_for_a_test_that_passed_is_said_by_the_judge_who_asks_for_the_test_and_by_nobody_else() -> None:
    """None is asked of a bank that is to be renewed, whatever its plan of tests says."""
    sheet = samples.short()
    bank = next(b for b in sheet.banks if b.id == "D")
    passed = TestPlan(None, sheet.now.date() - timedelta(days=400), 730, told("every two years"), 0.12)
    due = BankFinding("test_due", told("A test is due."), told("Test it."), Severity.WARNING)

    def shown(*findings: BankFinding) -> str:
        state = replace(bank, tests=passed, findings=findings)
        others = tuple(b for b in sheet.banks if b.id != "D")
        html = sheets.bank(replace(sheet, banks=(*others, state)), "D")
        assert html is not None
        return html

    risk = "It ends in that test with"
    assert risk not in shown()
    assert risk in shown(due)
    assert "every two years" not in shown(due)  # since when and why is in the sentence of the finding
