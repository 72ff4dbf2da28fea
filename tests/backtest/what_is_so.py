"""What was said beside the simulated plant, held against what was so: the sentences that can be decided.

Cards are read every two to five seconds and what is read takes a moment to be judged and shown, so what is said of the
present counts as true when it was so at any moment of the last `SEEN_WITHIN_S`.
"""

from __future__ import annotations

import re
from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any, Final

from collector.read_model.sheet_source import NO_LONGER
from collector.simulation.plant.unit import Mode
from tests.backtest.beside_truth import SYSTEMS, Moment, Said, TimeLeft

SEEN_WITHIN_S: Final = 17.0
LOW_END_OVER: Final = 1.0
"""How far the least that is promised may lie over the truth. An interval of 90 % leaves one in twenty under it; of these
banks none is (`test_demonstration_banks`), and so no promise may be either."""
OUTLASTED_SHARE: Final = 0.05
"""Of all intervals told, how many may end before the truth: an interval of 90 % leaves one in twenty over it."""
UNSEEN_S: Final = 20.0
"""After something that nothing foretold, as a link that parts, the time left is held against the truth again so late."""
STOOD_S: Final = 20.0
"""An alarm that stood for so long is in every report, also in one made of what was committed."""
CALM: Final = "No alarm is active"
_NAMES: Final = {
    "ossenby": "Ossenby operations room", "brackmere": "Brackmere filtration", "tollwick": "Tollwick yard",
}  # fmt: skip
_MIN: Final = r"([0-9.]+) (s|min|h)"
_PER: Final = {"s": 1.0, "min": 60.0, "h": 3600.0}
_SHEETS: Final = re.compile(
    r"/reports/estate$|stored report$|(?P<kind>(?:stored)?/reports/(?:system|bank)/)(?P<subject>.+)$"
)
_ACTIVE: Final = ("active_unacknowledged", "active_acknowledged")


@dataclass
class Verdicts:
    """Falsehoods found, and how many sentences of each kind were held against the plant.

    `outlasted`: the time left that was told ended, at the latest, before it truly does.
    """

    moments: Sequence[Moment]
    found: list[str] = field(default_factory=list)
    outlasted: list[str] = field(default_factory=list)
    checked: Counter[str] = field(default_factory=Counter)
    left: TimeLeft = field(default_factory=TimeLeft)
    left_then: TimeLeft = field(default_factory=TimeLeft)
    journal: set[str] = field(default_factory=set)
    plans: dict[str, tuple[float, str]] = field(default_factory=dict)

    def hold(self, said: Said) -> None:
        """Hold everything that was said in one place at one moment against what was so."""
        for check in _CHECKS:
            for kind, wrong in check(self, said):
                self.checked[kind] += 1
                if wrong:
                    self.found.append(
                        f"{said.moment.at_s:.0f} s, {said.where}, {kind}: {wrong}  SO: {said.moment.so(self.left)}"
                    )

    def lately(self, moment: Moment, within_s: float = SEEN_WITHIN_S) -> list[Moment]:
        """Return the moments noted in the last seconds before one, itself among them."""
        first = bisect_left(self.moments, moment.at_s - within_s, key=lambda m: m.at_s)
        after = bisect_right(self.moments, moment.at_s, key=lambda m: m.at_s)
        return list(self.moments[first:after])

    def of_journal(self, said: Said, line: str) -> Moment | None:
        """Return the moment that a line of the journal was written at; None where it is no new one, or before the story."""
        at_s = said.moment.at_s + _clock(said, line[:8])
        if line in self.journal or not self.moments[0].at_s <= at_s <= said.moment.at_s:
            return None
        self.journal.add(line)
        return self.moments[bisect_left(self.moments, at_s, hi=len(self.moments) - 1, key=lambda m: m.at_s)]

    def surprised(self, moment: Moment, system: str) -> bool:
        """Return whether a bank's link parts from here on, or did so a moment ago."""
        units = [u.id for u in moment.truth.plant.systems[system].units]
        banks = [moment.truth.state.unit(moment.truth.plant.place_of[u]).bank for u in units]
        begins = self.lately(moment, UNSEEN_S)[0]
        ended, before = ({u for u in units if m.truth.mode(u) is Mode.ENDED} for m in (moment, begins))
        parts = any(bank.opens_after_s is not None for bank in banks) and not ended
        return parts or ended != before


Check = Callable[[Verdicts, Said], Iterator[tuple[str, str]]]


def _named(text: str) -> str | None:
    return next((system for system, name in _NAMES.items() if name in text), None)


def _power(judge: Verdicts, said: Said) -> Iterator[tuple[str, str]]:
    """A page says that a system is on its banks exactly while it is."""
    if not said.where.startswith(("/systems/", "/reports/")) and said.where != "/":
        return
    for line in said.lines:
        system = next((s for s, name in _NAMES.items() if line.startswith(name)), None)
        if system is None:
            continue
        lately = judge.lately(said.moment)
        if " is on its banks, " in line or re.search(
            r" has \w+ of \w+ units on (its bank|their banks), ", line
        ):
            yield "on its banks", "" if any(m.on_banks(system) for m in lately) else f"it was not: {line}"
        elif re.search(r"rides through|cannot be judged|does not ride", line):
            long = said.moment.at_s - lately[0].at_s > 0.8 * SEEN_WITHIN_S
            wholly = long and all(len(m.on_banks(system)) > 0 and m.dead(system) for m in lately)
            yield "at rest", f"it was on its banks: {line}" if wholly else ""


def _clock(said: Said, text: str) -> float:
    """Return the seconds from the moment to a time of day that is named (the sites' clock is UTC in winter)."""
    hours, minutes, seconds = (int(part) for part in text.split(":"))
    at = said.moment.at.replace(hour=hours, minute=minutes, second=seconds, microsecond=0)
    if at < said.moment.at - timedelta(hours=12):
        at += timedelta(days=1)
    return (at - said.moment.at).total_seconds()


def _time_left(judge: Verdicts, said: Said) -> Iterator[tuple[str, str]]:
    """The time left lies in the interval that is stated, as far as anybody could know of what comes."""
    for line in said.lines:
        system = _named(line)
        told = re.search(r"ends (\d\d:\d\d:\d\d) at the earliest, (\d\d:\d\d:\d\d) at the latest", line)
        if told is None or system is None or not said.moment.on_banks(system):
            continue
        if judge.surprised(said.moment, system):
            continue
        # While units are fed again the promise is that of the banks alone: were the supply to go once more.
        low_s, high_s = (_clock(said, text) for text in told.groups())
        left_s = judge.left(said.moment, system)
        words = f"{low_s:.0f} to {high_s:.0f} s, truly {left_s:.0f} s"
        if high_s < left_s - 5.0:
            judge.outlasted.append(f"{said.moment.at_s:.0f} s, {said.where}: {words}")
        yield "time left", "" if low_s <= LOW_END_OVER * left_s + 5.0 else words


def _holds_more(judge: Verdicts, said: Said) -> Iterator[tuple[str, str]]:
    """A least that is promised in words of an alarm or a message is not over the truth."""
    texts = [*said.lines, *(a["what"] for a in _standing(said.data) if said.where == "/v1/alarms")]
    for text in texts:
        moment, kind, left = said.moment, "holds more", judge.left
        if re.match(
            r"\d\d:\d\d:\d\d", text
        ):  # a line of the journal begins with its time of day, and holds for that
            then = judge.of_journal(said, text)
            if then is None:
                continue
            moment, kind, left = then, "holds more, in the journal", judge.left_then
        system = _named(text)
        for told in re.finditer(rf"{_MIN} (?:more at the least|left at the least)", text):
            if system is None or text.startswith(NO_LONGER) or "With a unit lost" in text:
                continue
            lately = [m for m in judge.lately(moment) if m.on_banks(system)]
            if not lately or judge.surprised(moment, system):
                continue
            said_s = float(told.group(1)) * _PER[told.group(2)]
            left_s = left(moment, system) + SEEN_WITHIN_S
            yield kind, "" if said_s <= LOW_END_OVER * left_s else f"{text}: truly {left_s:.0f} s"


def _standing(alarms: Any) -> list[Mapping[str, Any]]:
    found = alarms if isinstance(alarms, list) else []
    return [a for a in found if a.get("state") in _ACTIVE]


def _alarm_texts(judge: Verdicts, said: Said) -> Iterator[tuple[str, str]]:
    """What stands as an alarm is so, or is said in the past tense."""
    if said.where != "/v1/alarms":
        return
    for alarm in _standing(said.data):
        what = alarm["what"]
        unit = re.search(r"^Unit ([^ ]+) .*feeds its load from its bank", what)
        if unit is not None:
            system = said.moment.truth.plant.place_of[unit.group(1)][0]
            was = any(unit.group(1) in m.on_banks(system) for m in judge.lately(said.moment))
            yield "alarm of a unit on its bank", "" if was else what
        starts = re.search(r"starts? of [^ ]+ should have brought supply by now, and (.*?) is on its", what)
        system_ = _named(starts.group(1)) if starts else None
        if system_ is not None and not what.startswith(NO_LONGER):
            was = any(m.dead(system_) for m in judge.lately(said.moment))
            yield "alarm of starts", "" if was else what


def _message(judge: Verdicts, said: Said) -> Iterator[tuple[str, str]]:
    """What is told of supply: lost, there, back."""
    if said.where != "message":
        return
    data, lately = said.data, judge.lately(said.moment)
    system = _named(data["what"]) or next((s["system"] for s in data["systems"]), None)
    if system is None:
        return
    if data["what"].startswith("Mains lost"):
        yield "mains lost", "" if any(m.dead(system) for m in lately) else data["what"]
    if (data["do"] or "").startswith("Supply is there"):
        yield "supply is there", "" if not all(m.dead(system) for m in lately) else data["do"]
    if data["what"].startswith("Back on supply"):
        units = [u.id for u in said.moment.truth.plant.systems[system].units]
        still = [u for u in units if all(m.truth.mode(u) is Mode.BATTERY for m in lately)]
        yield "back on supply", f"{still} run on their banks" if still else ""
        lost = any(m.truth.lost(system) for m in judge.moments if m.at_s <= said.moment.at_s)
        if "the load was carried throughout" in data["what"]:
            yield "carried", "its load was lost" if lost else ""


def _shedding(_judge: Verdicts, said: Said) -> Iterator[tuple[str, str]]:
    """Nothing said of shedding is borne out less than the end that stands beside it."""
    ends = [m for line in said.lines for m in re.finditer(r"ends (\d\d:\d\d:\d\d) at the earliest", line)]
    left_s = min((_clock(said, m.group(1)) for m in ends), default=None)
    for line in said.lines:
        beside = re.search(rf"{_MIN} left at the least", line)
        least_s = float(beside.group(1)) * _PER[beside.group(2)] if beside else left_s
        needs = re.search(
            rf"Nothing needs to be shed yet: it holds for [^(]*\((?:[^,)]*, )?{_MIN}(?: of it to come)?\)",
            line,
        )
        if needs is None or least_s is None:
            continue
        wanted_s = float(needs.group(1)) * _PER[needs.group(2)]
        yield "shedding", "" if least_s >= wanted_s - 12.0 else f"{line} beside {least_s:.0f} s left"


def _plain_words(_judge: Verdicts, said: Said) -> Iterator[tuple[str, str]]:
    """No server's answer to a message stands on a page as it came."""
    raw = next((line for line in said.lines if re.search(r"\b20\d (OK|Said|No Content)\b", line)), "")
    if said.where == "/":
        yield "plain words", raw


def _reports(_judge: Verdicts, said: Said) -> Iterator[tuple[str, str]]:
    """What stands before and after a report was made is in it, and it is not calm where something stands."""
    found = _SHEETS.match(said.where)
    if found is None or not isinstance(said.data, tuple):
        return
    kind, subject = found.group("kind") or found.group(), found.group("subject") or ""
    before, after = (_standing(alarms) for alarms in said.data)
    old = said.moment.at - timedelta(seconds=STOOD_S)
    there = [
        a for a in before
        if a["id"] in {b["id"] for b in after} and a["since"] and datetime.fromisoformat(a["since"]) < old
        and _within(a["about"], kind, subject)
    ]  # fmt: skip
    text = " ".join(said.lines)
    # of an estate each system has its own part
    parts = SYSTEMS if not subject else (subject,)
    if all(any(alarm["about"].startswith(part) for alarm in there) for part in parts):
        yield f"calm of {kind}", CALM if CALM in text else ""
    masked = _masked(text)
    now = {b["id"]: b["what"] for b in after}
    for alarm in there:
        told = any(_masked(w.removeprefix(NO_LONGER)) in masked for w in (alarm["what"], now[alarm["id"]]))
        yield f"alarm in {kind}", "" if told else f"{subject}: {alarm['what']}"


def _within(about: str, kind: str, subject: str) -> bool:
    """Return whether an alarm belongs on a sheet: of the estate any, of a system its own, its units' and banks'."""
    if not subject:
        return True
    return about == subject or (kind.endswith("/system/") and about.startswith(f"{subject}-"))


def _masked(text: str) -> str:
    """Return a text without its figures and what is counted by them: they move between two moments."""
    return re.sub(r"unit \S+|\d[\d.]*(?: (?:s|min|h)\b)?", "#", text)


def _plans(judge: Verdicts, said: Said) -> Iterator[tuple[str, str]]:
    """A plan and the requirement for the generator's start do not say opposite things of one moment at rest."""
    if said.where != "/v1/systems" or not isinstance(said.data, list):
        return
    for system in said.data:
        plan = judge.plans.get(system["id"])
        need = next((r for r in system["requirements"] if r["id"] == "set"), None)
        if plan is None or need is None or system["on_battery"] or said.moment.at_s - plan[0] > 10.0:
            continue
        if any(m.on_banks(system["id"]) for m in judge.lately(said.moment)):
            continue
        pair = {plan[1], need["verdict"]}
        yield (
            "plan and page",
            f"plan {plan[1]}, page {need['verdict']}" if pair == {"adequate", "inadequate"} else "",
        )


_CHECKS: Final[tuple[Check, ...]] = (
    _power, _time_left, _holds_more, _alarm_texts, _message, _shedding, _plain_words, _reports, _plans,
)  # fmt: skip


def held_against(moments: Sequence[Moment], said: Sequence[Said]) -> Verdicts:
    """Return what was said held against what was so, in the order it was said."""
    judge = Verdicts(moments)
    for one in said:
        if one.where.startswith("plan ") and isinstance(one.data, dict):
            judge.plans[one.where.removeprefix("plan ")] = (one.moment.at_s, one.data["verdict"])
        judge.hold(one)
    return judge
