"""The first days: steps that tick themselves off, nothing promised before it was shown."""

from dataclasses import dataclass, field, replace
from datetime import timedelta
from types import SimpleNamespace
from typing import Any, cast

from api.pages.sheets import registry as sheets
from collector.messaging.delivery.letter import Telling
from collector.read_model.beginning.steps import (
    BankKnown,
    BeginningStep,
    FirstDays,
    StepKind,
    beginning,
    reached_by,
)
from collector.read_model.sheet import Sheet
from collector.read_model.source import SheetSource
from collector.storage.ledger.records import JournalLine
from rules.battery.state import JudgedDischarge, WouldTell
from rules.planning.isolation.rows import Result
from rules.system.state import SystemState
from rules.values.code import Code
from rules.values.reason import reason, told
from tests.api.pages import samples
from tests.api.pages.samples import NOW
from tests.api.pages.sheets.test_registry import check

STEP = WouldTell(
    told("Let bank D carry today's load (3.1 kW) for 5 min, say on 1 Dec 2026, with help at hand"),
    told("Capacity."),
)


def unshown(state: SystemState) -> SystemState:
    """Return a system of whose banks nothing was seen."""
    like = samples.depot_state(silent=False)
    held = replace(like.hold_up, unproven=("D",), would_tell=(STEP,))
    return replace(
        like, id=state.id, name=state.name, units=state.units, redundancy=state.redundancy, hold_up=held
    )


def begun(*, shown: bool = False, people: tuple[str, ...] = (), done: bool = False) -> FirstDays:
    banks = [BankKnown(name, done, done, shown or done, shown or done) for name in samples.estate().banks]
    left = () if done else tuple(bank.bank for bank in banks)
    steps = [
        BeginningStep(StepKind.TABLE, 6 - len(left), 6, left),
        BeginningStep(StepKind.PAST_TEST, 6 - len(left), 6, left),
        BeginningStep(StepKind.DISCHARGE, 6 if shown or done else 0, 6, () if shown or done else left),
        BeginningStep(StepKind.PEOPLE, len(people) if done else 0, len(people), () if done else people),
        BeginningStep(StepKind.CARDS, 6, 6, ()),
    ]
    return FirstDays(tuple(steps), tuple(banks))


def first_day() -> Sheet:
    sheet = samples.short()
    states = tuple(
        unshown(state) if state.id != "depot" else unshown(samples.depot_state(silent=False))
        for state in sheet.systems
    )
    return replace(
        sheet, systems=states, units=samples.views(silent=False), alarms=(), begun=begun(), score=None
    )


def read(html: str) -> str:
    return " ".join(" ".join(check(html).text).split())


def test_on_the_first_day_nothing_is_shown_and_the_steps_say_what_they_buy() -> None:
    html = sheets.index(first_day())
    found = check(html)
    assert (found.faults, found.open, found.unnamed) == ([], [], [])
    shown = read(html)
    assert (
        "Nothing shown yet. All six units answer and nothing is wrong. What the banks hold, nobody has seen."
        in shown
    )
    assert shown.count("not shown yet") >= 3
    assert "Five steps, and what each one buys" in shown
    assert "0 of 6 done; left: 1, 2, 3, A-1, A-2 and D." in shown
    assert "Depot: Let bank D carry today’s load" in shown.replace("'", "’")
    assert "No person is named in the estate file." in shown
    assert "Prove which card is whose: done for all 6." in shown
    assert html.index('id="steps"') < html.index('id="q1"')


def test_before_the_banks_are_judged_nobody_is_said_to_have_seen_nothing_of_them() -> None:
    shown = read(sheets.index(replace(first_day(), banks=())))
    assert "and nothing is wrong. The banks are being judged." in shown
    assert "nobody has seen" not in shown
    assert shown.count("not judged yet") >= 6


def test_once_a_bank_was_seen_the_steps_fold_and_with_the_last_they_go() -> None:
    sheet = replace(samples.short(), begun=begun(shown=True, people=("R. Haugen",)))
    html = sheets.index(sheet)
    assert "2 of 5 done: give the maker" in read(html)
    assert html.index('id="steps"') > html.index('id="q1"')
    assert "Nothing shown yet" not in html
    assert 'id="steps"' not in sheets.index(replace(sheet, begun=begun(done=True, people=("R. Haugen",))))
    assert 'id="steps"' not in sheets.index(samples.short())


@dataclass
class Source:
    """Stands for a service: an estate, what is known now, and people."""

    estate: Any
    present: Any
    configuration: Any
    clock: Any
    told: Any = field(default_factory=dict)


def test_a_step_is_ticked_off_by_what_is_there_and_by_nothing_else() -> None:
    estate = samples.estate()
    bare = replace(estate.banks["D"].fitted[0], constant_power=())
    estate = replace(estate, banks={**estate.banks, "D": replace(estate.banks["D"], fitted=(bare,))})
    states = {state.id: state for state in samples.banks()}
    proof = SimpleNamespace(check="card_is_A1", result=Result.MET)
    doubt = SimpleNamespace(check="card_is_A2", result=Result.CANNOT_BE_SEEN)
    present = SimpleNamespace(
        banks=states,
        isolations={"A1": SimpleNamespace(rows=[proof, doubt]), "A2": SimpleNamespace(rows=[proof, doubt])},
    )
    persons = [SimpleNamespace(name="R. Haugen"), SimpleNamespace(name="M. Okafor")]
    source = Source(
        estate,
        present,
        SimpleNamespace(people=SimpleNamespace(persons=persons)),
        SimpleNamespace(now=lambda: NOW),
    )
    found = {step.kind: step for step in beginning(cast("SheetSource", source), ["R. Haugen"]).steps}
    assert found[StepKind.TABLE].left == ("D",)
    assert found[StepKind.PAST_TEST].left == ("D",)
    assert found[StepKind.DISCHARGE].left == ("D",)
    assert (found[StepKind.PEOPLE].done, found[StepKind.PEOPLE].left) == (1, ("M. Okafor",))
    assert found[StepKind.CARDS].left == ("A2", "W1", "W2", "W3", "D1")
    telling = Telling("M. Okafor", "post", NOW, "250 taken", handed_over=True)
    told = replace(source, told={"power-1": (telling, replace(telling, who="K. Lind", handed_over=False))})
    step = beginning(cast("SheetSource", told), ["R. Haugen"]).steps[3]
    assert step.over, "a message that was handed over shows the same as a test"
    refused = JudgedDischarge(
        NOW, "import", None, None, None, None, (reason(Code.LOG_VOLTAGE_STANDS, volts=491.0),)
    )
    present.banks = {**states, "1": replace(states["1"], discharges=(refused,))}
    step = beginning(cast("SheetSource", source), []).steps[1]
    assert step.left == ("1", "D"), "a log that tells nothing is no past test"
    nobody = replace(source, configuration=SimpleNamespace(people=SimpleNamespace(persons=[])))
    step = beginning(cast("SheetSource", nobody), []).steps[3]
    assert not step.over, "nobody named is nobody told"


def test_the_last_trial_of_each_way_says_whom_a_message_reaches() -> None:
    def tried(days: int, person: str, channel: str, delivered: object) -> JournalLine:
        body = {"person": person, "channel": channel, "delivered": delivered}
        return JournalLine(NOW - timedelta(days=days), "message_test", None, "", body=body)

    lines = [
        tried(9, "R. Haugen", "mail", delivered=True),
        tried(1, "R. Haugen", "mail", delivered=False),
        tried(2, "M. Okafor", "mail", delivered=False),
        tried(2, "M. Okafor", "sms", delivered=True),
        tried(2, "Desk", "mail", "yes"),
    ]
    assert reached_by(lines) == {"M. Okafor"}
