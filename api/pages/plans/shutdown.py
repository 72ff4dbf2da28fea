"""Question 6: if we switch the mains off, with the generator and without it; of the next signed shutdown where there is one."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from urllib.parse import quote

from api.pages.markup.elements import Element, Nodes, el
from api.pages.markup.frame import address_of, question
from api.pages.markup.marks import Standing, line_mark
from api.pages.plans import signed as plan_section
from api.pages.plans.shutdown_question import ADDRESS
from api.pages.plans.shutdown_strip import Strip, bands, strip
from collector.read_model.sheet import PlanView, Sheet
from collector.read_model.wall_clock import WallClock
from rules.phrasing.figures import age, capital, clause, count, minutes
from rules.phrasing.reasons import say
from rules.phrasing.safety import ADVICE_ONLY
from rules.planning.ridethrough.shutdown import Shutdown, Way, lasts_s
from rules.planning.ridethrough.signed_course import Status
from rules.values.verdict import Verdict

TITLE = "If we switch the mains off"
READING = "By the clock of the site. Black: mains or generator. The ink of the banks: on the banks. Hatched: dropped."
MARKS: dict[Verdict, Standing] = {
    Verdict.ADEQUATE: "holds",
    Verdict.INADEQUATE: "short",
    Verdict.CANNOT_TELL: "unknown",
}
LONGEST_S = 14 * 86_400.0


def overview(sheet: Sheet, systems: set[str] | None = None, *, brief: bool = False) -> Element | None:
    """Return question 6 for the whole estate, or for some of it; None where nothing is known of it.

    `brief`: of many systems those that carry the example are counted, and drawn on their own sheets.
    """
    parts: list[Nodes] = []
    carried: list[Shutdown] = []
    for name, declared in sheet.estate.systems.items():
        if systems is not None and name not in systems:
            continue
        said = _answer(sheet, name)
        if said is None:
            continue
        played = sheet.shutdowns.get(name)
        if brief and played is not None and _next(sheet, name) is None and _is_carried(played):
            carried.append(played)
            continue
        fine = "which" if _next(sheet, name) is not None else "which fine"  # an example is nobody's plan
        parts += [
            el("h3", el("a", declared.name, href=f"{address_of('systems', name)}#q6"), class_=fine),
            said,
        ]
    if carried:
        parts.append(_carried_words(carried, others=bool(parts)))
    if not parts:
        return None
    rest = el(
        "p", "Not checked: changeover gear, feeds and their labels, cooling. ", ADVICE_ONLY, class_="rest"
    )
    return question(6, TITLE, READING, el("div", parts, id="q6-strips", live=True), rest)


def _is_carried(played: Shutdown) -> bool:
    return played.planned.result.verdict is Verdict.ADEQUATE


def _carried_words(carried: Sequence[Shutdown], *, others: bool) -> Element:
    many = f"{capital(count(len(carried)))}{' more' if others else ''}"
    lasts = max(lasts_s(played.scenario) for played in carried)
    verb = "carries" if len(carried) == 1 else "carry"
    words = f"{many} {verb} {age(lasts)} without mains from now, as an example; the strip stands on each one's own sheet."
    return el("p", words, class_="prose")


def in_depth(sheet: Sheet, system: str) -> Element | None:
    """Return question 6 for one system: its strip, the plan that is signed, what came of the last, the form."""
    said = _answer(sheet, system)
    known = sheet.plans.get(system)
    if said is None and known is None:
        return None
    clock = WallClock(sheet.site(system).time_zone, sheet.now)
    body = el(
        "div",
        said,
        plan_section.whole(sheet, system, sheet.shutdowns.get(system), clock),
        id="q6-plan",
        live=True,
    )
    form = plan_section.sign_form(system, sheet.site(system).time_zone) if sheet.acts else None
    other = el(
        "p",
        el(
            "a",
            "Play another day, other hours, loads shed, a unit out",
            href=f"{ADDRESS}?system={quote(system, safe='')}",
        ),
        class_="rest",
    )
    return question(6, TITLE, READING, body, other, form)


def runs(sheet: Sheet, system: str) -> bool:
    """Return whether a signed shutdown of a system runs."""
    view = _next(sheet, system)
    return view is not None and view.course.status is Status.RUNNING


def _next(sheet: Sheet, system: str) -> PlanView | None:
    known = sheet.plans.get(system)
    return known.open[0] if known is not None and known.open else None


def _answer(sheet: Sheet, system: str) -> Element | None:
    """Return the answer of one system: what is asked, the sentence, the strip."""
    played, view = sheet.shutdowns.get(system), _next(sheet, system)
    if played is not None and view is not None and played.plan != view.id:
        played = None  # it was signed a moment ago and is played at the next round
    if played is not None and view is None and played.plan is not None:
        played = None  # it was withdrawn a moment ago
    if played is None and view is None:
        return None
    clock = WallClock(sheet.site(system).time_zone, sheet.now)
    return el(
        "div",
        el("p", _asked(played, view, clock), class_="asked"),
        [] if view is None else plan_section.warnings(view),
        el("p", "It is being played on what is known now.", class_="prose")
        if played is None
        else _both(played, view, clock, sheet.now),
        class_="switching-off",
    )


def _asked(played: Shutdown | None, view: PlanView | None, clock: WallClock) -> Nodes:
    if view is None:
        lasts = 0.0 if played is None else lasts_s(played.scenario)
        return f"No shutdown is signed; as an example, {age(lasts)} without mains from now."
    plan = view.plan
    back = plan.starts_at + timedelta(seconds=lasts_s(plan.scenario))
    day, _, _ = clock.head(plan.starts_at)
    until = clock.minute(back) if clock.on(back) == clock.on(plan.starts_at) else clock.at(back)
    doing = "Runs" if view.course.status is Status.RUNNING else "Signed"
    why = f": {plan.note}" if plan.note else ""
    return [
        el("b", f"{doing}: {day}, {clock.minute(plan.starts_at)} to {until}"),
        f", by {plan.signed_by}{why}",
    ]


def _both(played: Shutdown, view: PlanView | None, clock: WallClock, now: datetime) -> list[Nodes]:
    if view is None:
        return course(played, played.as_of, clock)
    running = view.course.status is Status.RUNNING
    return course(played, view.plan.starts_at, clock, signed=True, now=now if running else None)


def course(
    played: Shutdown,
    starts_at: datetime,
    clock: WallClock,
    *,
    signed: bool = False,
    now: datetime | None = None,
    asked: bool = False,
) -> list[Nodes]:
    """Return how a shutdown goes, with the generator and without it: the sentences and the strip.

    `now`: it runs. `asked`: it is asked about, and the sentence of what is asked stands elsewhere.
    """
    ways = _ways(played, signed=signed, meant="asked" if asked else "signed")
    ends_s = [s.until_s for _, _, way in ways if way for s in way.stretches if s.until_s <= LONGEST_S]
    end_s = max([min(lasts_s(played.scenario), LONGEST_S), *ends_s])
    said = [sentence(name, way, starts_at, clock) for _, name, way in ways]
    shown = [one for one, (_, _, way) in zip(said, ways, strict=True) if not asked or way != played.planned]
    words = el("p", [[mark, " " if mark else "", text, " "] for mark, text in shown], class_="prose")
    plain = " ".join("".join(_plain(text)) for _, text in said)
    rows = tuple((row, None if way is None else bands(way, played.scenario, end_s)) for row, _, way in ways)
    picture = Strip(rows, starts_at, end_s, clock, plain.strip(), now)
    return [words, strip(picture)]


def _ways(played: Shutdown, *, signed: bool, meant: str) -> list[tuple[str, str, Way | None]]:
    """Return the ways that are shown: the row's name, how the sentence begins, and the way; None: there is no generator."""

    def of(way: Way) -> str:
        return ", as signed," if signed and way == played.planned else ""

    ways: list[tuple[str, str, Way | None]] = []
    if played.planned not in (played.with_set, played.without_set):
        ways.append((f"as {meant}", f"As {meant}", played.planned))
    if played.with_set is None:
        return [*ways, ("with a generator", "", None), ("without one", "Without one", played.without_set)]
    return [
        *ways,
        ("with the generator", f"With the generator{of(played.with_set)}", played.with_set),
        ("without it", f"Without it{of(played.without_set)}", played.without_set),
    ]


def sentence(
    name: str, way: Way | None, starts_at: datetime, clock: WallClock
) -> tuple[Element | None, list[Nodes]]:
    """Return the mark and the sentence for one way: carried and after how long on the banks, or lost when.

    `name` begins the sentence; `way` None: there is no generator.
    """
    if way is None:
        return None, [el("b", "No generator"), " is declared behind this supply."]
    result = way.result
    mark = line_mark(MARKS[result.verdict])
    if result.verdict is Verdict.CANNOT_TELL:
        why = clause(say(result.because[0])) if result.because else "nothing is known"
        return mark, [el("b", name), f" it cannot be told: {why}."]
    subject: list[Nodes] = [el("b", name), " the load "]
    first, last = way.lost_s
    if first is None and way.expected_s is not None and result.verdict is Verdict.INADEQUATE:
        at = clock.minute(starts_at + timedelta(seconds=way.expected_s))
        return mark, [*subject, f"is expected to drop about {at}; nothing proves that it holds so long."]
    if result.verdict is Verdict.ADEQUATE or first is None:
        longest = max((s.until_s - s.from_s for s in way.stretches), default=0.0)
        spare = (
            ""
            if result.margin_s is None
            else f", with {minutes(result.margin_s, favours=True)} min to spare at the least"
        )
        return mark, [
            *subject,
            f"is carried throughout, after at most {minutes(longest, favours=False)} min on the banks{spare}.",
        ]
    at = clock.minute(starts_at + timedelta(seconds=first))
    if last is None:
        return mark, [*subject, f"may drop from {at} on."]
    until = clock.minute(starts_at + timedelta(seconds=last), late=True)
    if last - first < 60.0:  # within one minute, which says nothing
        at, until = (clock.second(starts_at + timedelta(seconds=s)) for s in (first, last))
    return mark, [*subject, f"drops at {at}." if at == until else f"drops between {at} and {until}."]


def _plain(nodes: Nodes) -> list[str]:
    """Return the text of a sentence, for those who hear the drawing."""
    if nodes is None:
        return []
    if isinstance(nodes, str):
        return [nodes]
    if isinstance(nodes, Element):
        return [said for child in nodes.children for said in _plain(child)]
    return [said for node in nodes for said in _plain(node)]
