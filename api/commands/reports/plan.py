"""The scenario is played on the newest readings in the data folder, or on a load that is given with --load; the banks
are those of the data folder where --data names one. Without --system every system is played. Without a scenario:
the mains is lost and not back, and the generator starts at its last try. With --starts-at the load is what that hour of the
week asked in the last weeks, as the data folder has it on record."""

from __future__ import annotations

import argparse
import asyncio
import json
import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from api.commands.exits import Exit, complain
from rules.phrasing.dates import day_words
from rules.values.code import Code

if TYPE_CHECKING:
    from api.http.scenario_body import ScenarioBody
    from collector.configuration import Configuration
    from collector.read_model.stored import PlanBasis
    from rules.phrasing.wire import Json
    from rules.planning.ridethrough.result import Ridethrough
    from rules.planning.ridethrough.scenario import Scenario
    from rules.values.reason import Reason
    from rules.values.verdict import Verdict

CASES: Final = ("as_declared", "starts", "by_hand", "never")
BANKS: Final = ("now", "full", "end_of_life")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("estate", type=Path, metavar="ESTATE.toml", help="the estate file")
    parser.add_argument("--system", metavar="ID", help="the system to play (default: all of them)")
    parser.add_argument(
        "--data",
        type=Path,
        metavar="DIR",
        help="data folder (default: $STATE_DIRECTORY, else ./ridethrough-data)",
    )
    parser.add_argument(
        "--load", metavar="W[,W,W]", help="play on this load by board line, not on stored readings"
    )
    parser.add_argument(
        "--scenario", type=Path, metavar="FILE.json", help="a scenario, as POST …/ridethrough takes it"
    )
    parser.add_argument(
        "--starts-at",
        metavar="TIME",
        help="when the scenario starts, like 2026-11-24T14:00 by the site's clock",
    )
    parser.add_argument(
        "--back-after", type=float, metavar="S", help="the mains is back after so many seconds"
    )
    parser.add_argument("--set", choices=CASES, help="what the generator does")
    parser.add_argument("--at-try", type=int, metavar="N", help="the generator starts at this try")
    parser.add_argument("--unit-out", action="append", default=[], metavar="ID", help="a unit that is out")
    parser.add_argument(
        "--shed",
        action="append",
        default=[],
        metavar="GROUP@S",
        help="drop a load group after so many seconds",
    )
    parser.add_argument("--banks", choices=BANKS, help="the state the banks begin in (default: now)")
    parser.add_argument("--coldest", action="store_true", help="rooms as cold as they get")
    parser.add_argument(
        "--signed",
        action="store_true",
        help="play nothing: print the shutdowns that are signed, each as a sheet to take along",
    )
    parser.add_argument("--json", action="store_true", help="JSON for scripts")


def run(options: argparse.Namespace) -> int:
    """Play the scenario and say how it ends."""
    from collector.configuration import ConfigError, load  # noqa: PLC0415 - with what follows, only when used

    try:
        configuration = load(options.estate)
    except ConfigError as error:
        return complain(Exit.WRONG_INPUT, *(str(fault) for fault in error.faults))
    systems = list(configuration.estate.systems)
    if options.system is not None:
        if options.system not in systems:
            known = ", ".join(systems)
            return complain(Exit.WRONG_INPUT, f"--system: want one of {known}; got {options.system}")
        systems = [options.system]
    if options.signed:
        from api.commands.reports.plan_signed import show  # noqa: PLC0415

        return show(options, configuration, systems)
    try:
        body = _scenario(options)
        scenario = body.value()
        watts = _watts(options.load)
    except (OSError, ValueError, OverflowError) as error:
        return complain(Exit.WRONG_INPUT, str(error))
    if watts is not None and options.system is None:
        return complain(Exit.WRONG_INPUT, "--load: want --system with it, whose load it is")
    return _play(options, configuration, body, scenario, systems, watts)


def _play(  # noqa: PLR0917 - what is asked, of whom
    options: argparse.Namespace,
    configuration: Configuration,
    body: ScenarioBody,
    scenario: Scenario,
    systems: Sequence[str],
    watts: tuple[float, ...] | None,
) -> int:
    from collector.read_model.stored import NothingStoredError  # noqa: PLC0415
    from collector.storage.database import StoreError  # noqa: PLC0415
    from rules.phrasing.wire import to_json  # noqa: PLC0415

    try:
        bases = asyncio.run(_bases(options, configuration, systems, watts))
        results = list(_rides(options, configuration, body, scenario, bases))
    except (StoreError, NothingStoredError) as error:
        return complain(Exit.UNREACHABLE, str(error))
    except (ValueError, OverflowError) as error:
        return complain(Exit.WRONG_INPUT, str(error))
    starts = {s: _start(configuration, body, s) for s in systems}
    if options.json:
        plain = [_with_basis(to_json(r), bases[r.system], starts[r.system]) for r in results]
    if options.json and options.system is not None:
        print(json.dumps(plain[0], indent=2, ensure_ascii=False))
    elif options.json:
        print(json.dumps({"verdict": _worst(results).value, "items": plain}, indent=2, ensure_ascii=False))
    else:
        for number, result in enumerate(results):
            basis = bases[result.system]
            care = () if basis is None else basis.cautions
            print(("\n\n" if number else "") + plan_text(result, _words(basis), starts[result.system], care))
    return int(
        {"adequate": Exit.DONE, "inadequate": Exit.BAD_NEWS}.get(_worst(results).value, Exit.CANNOT_TELL)
    )


def _worst(results: Sequence[Ridethrough]) -> Verdict:
    from rules.planning.ridethrough.result import worst  # noqa: PLC0415

    return worst(result.verdict for result in results)


def _words(basis: PlanBasis | None) -> str:
    return "nothing: it was never read" if basis is None else basis.words


def _with_basis(plain: Json, basis: PlanBasis | None, start: ScenarioStart) -> dict[str, Any]:
    from rules.phrasing.reasons import said  # noqa: PLC0415

    head = {
        "played_on": _words(basis),
        "cautions": [] if basis is None else list(said(basis.cautions)),
        "starts_at": start.at.astimezone(UTC).isoformat() if start.named else None,
    }
    return {**head, **(plain if isinstance(plain, dict) else {})}


@dataclass(frozen=True, slots=True)
class ScenarioStart:
    """When a scenario starts, by the site's clock: at the time `named`, else now."""

    at: datetime
    named: bool

    def clock(self, seconds: float) -> str:
        """Return the time so many s after the start, with the day where that is another than the start's."""
        at = (self.at.astimezone(UTC) + timedelta(seconds=seconds)).astimezone(self.at.tzinfo)
        return f"{at:%H:%M:%S}" if at.date() == self.at.date() else f"{at:%a %d %b %H:%M:%S}"

    @property
    def words(self) -> str:
        """Return the start as a sentence."""
        when = f"{self.at:%a} {day_words(self.at.date())}, {self.at:%H:%M:%S} ({self.at.tzinfo})"
        return f"Starts on {when}." if self.named else f"Times by the clock: if it starts now, {when}."


def _start(configuration: Configuration, body: ScenarioBody, system: str) -> ScenarioStart:
    zone = configuration.estate.site_of(system).zone
    named = body.begins(configuration.estate.site_of(system).time_zone)
    return ScenarioStart((named or datetime.now(UTC)).astimezone(zone), named is not None)


async def _bases(
    options: argparse.Namespace,
    configuration: Configuration,
    systems: Sequence[str],
    watts: tuple[float, ...] | None,
) -> dict[str, PlanBasis | None]:
    """Return what each system is played on; None for one of several that was never read."""
    from api.commands.shared import default_data  # noqa: PLC0415
    from collector.read_model.stored import NothingStoredError, StoredEstate, given  # noqa: PLC0415

    if watts is not None and options.data is None:
        return {systems[0]: given(configuration.estate, systems[0], watts)}
    found: dict[str, PlanBasis | None] = {}
    async with StoredEstate(configuration, options.data or default_data()) as kept:
        for number, system in enumerate(systems, start=1):
            if len(systems) > 1:
                print(f"{number} of {len(systems)}: judging the banks of {system}", file=sys.stderr)
            try:
                found[system] = await (kept.basis(system) if watts is None else kept.given(system, watts))
            except NothingStoredError:
                if len(systems) == 1:
                    raise
                found[system] = None
    return found


def _rides(
    options: argparse.Namespace,
    configuration: Configuration,
    body: ScenarioBody,
    scenario: Scenario,
    bases: Mapping[str, PlanBasis | None],
) -> Iterator[Ridethrough]:
    """Yield the systems' results. Raises ValueError for units or load groups unknown."""
    from collector.planning.planner import PLAN_SEED  # noqa: PLC0415
    from rules.planning.ridethrough.estate import EstateTask, ride_estate  # noqa: PLC0415
    from rules.planning.ridethrough.load_ahead import load_ahead  # noqa: PLC0415
    from rules.planning.ridethrough.result import untold  # noqa: PLC0415
    from rules.planning.ridethrough.scenario import refuse_strangers, refuse_unknown  # noqa: PLC0415
    from rules.values.reason import told  # noqa: PLC0415

    estate, groups = configuration.estate, configuration.estate.load_groups
    refuse_unknown(scenario, set(estate.units), set(groups))
    for number, (system, basis) in enumerate(bases.items(), start=1):
        if len(bases) > 1:
            print(f"{number} of {len(bases)}: playing {system}", file=sys.stderr)
        if basis is None:
            yield untold(system, told("No reading of it is stored."))
            continue
        if options.system is not None:
            refuse_strangers(basis.task, scenario, groups)
        units, generator = estate.units_of(system), estate.generator_of(system)
        starts_at = body.begins(estate.site_of(system).time_zone)
        ahead = None
        if starts_at is not None and basis.record is not None:
            ahead = load_ahead(
                basis.record,
                starts_at,
                scenario.outages,
                scenario.generator,
                generator=generator,
                units=units,
            )
        one = EstateTask(basis.task, basis.beliefs, generator, units, ahead)
        yield from ride_estate([one], scenario, groups=groups, seed=PLAN_SEED)


def _scenario(options: argparse.Namespace) -> ScenarioBody:
    """Return the scenario of the file and the options; an option wins. Raises ValueError and OSError."""
    from pydantic import ValidationError  # noqa: PLC0415

    from api.http.scenario_body import ScenarioBody  # noqa: PLC0415

    plain: dict[str, Any] = {}
    if options.scenario is not None:
        plain = json.loads(options.scenario.read_text(encoding="utf-8"))
    if options.starts_at is not None:
        plain["starts_at"] = options.starts_at
    if options.back_after is not None:
        plain["outages"] = [{"from_s": 0.0, "for_s": options.back_after}]
    if options.set is not None or options.at_try is not None:
        case = options.set or "starts"
        plain["generator"] = {"case": case, "at_try": options.at_try}
    if options.unit_out:
        plain["units_out"] = options.unit_out
    if options.shed:
        plain["sheds"] = [_shed(text) for text in options.shed]
    if options.banks is not None:
        plain["banks"] = options.banks
    if options.coldest:
        plain["coldest"] = True
    try:
        return ScenarioBody.model_validate(plain)
    except ValidationError as error:
        faults = (f"{'.'.join(map(str, e['loc']))}: {e['msg']}" for e in error.errors())
        raise ValueError("scenario: " + "; ".join(faults)) from error


def _shed(text: str) -> dict[str, Any]:
    group, _, seconds = text.rpartition("@")
    try:
        return {"group": group, "at_s": float(seconds)}
    except ValueError:
        raise ValueError(f"--shed: want GROUP@SECONDS; got {text!r}") from None


def _watts(text: str | None) -> tuple[float, ...] | None:
    if text is None:
        return None
    try:
        watts = tuple(float(part) for part in text.split(","))
    except ValueError:
        watts = ()
    if not 1 <= len(watts) <= 3 or min(watts) < 0.0 or max(watts) > 1e7:
        raise ValueError(f"--load: want one to three powers in W, as 3000,3000,2800; got {text!r}")
    return watts


WORDS: Final = {
    "adequate": "The load is carried through.",
    "inadequate": "The load is not carried through.",
    "cannot_tell": "It cannot be told whether the load is carried through.",
}


def plan_text(result: Ridethrough, played_on: str, start: ScenarioStart, care: Sequence[Reason] = ()) -> str:
    """Return a result for people: the answer, why, what happens when, what it rests on, what was not checked."""
    from rules.phrasing.reasons import said, say  # noqa: PLC0415

    lines = [
        f"{result.system}: {WORDS[result.verdict.value]}",
        *(f"  {text}" for text in said(result.because)),
        "",
    ]
    lines += [f"Played on {played_on}.", *said(care), start.words]
    if result.happenings:
        lines += ["", "  earliest  expected    latest  earliest by the clock"]
    ends = {(h.low_s, h.high_s) for h in result.happenings if h.what.code is Code.HAPPENS_BANK_ENDS}
    for item in result.happenings:
        if item.what.code is Code.HAPPENS_UNIT_DROPS_OUT and (item.low_s, item.high_s) in ends:
            continue  # its only bank's end says it
        about = "" if item.about == result.system else f" {item.about}"
        share = "" if item.share > 0.99 else f" (in {int(100 * item.share)} of 100 courses)"
        when = "".join(f"{clock(s):>10}" for s in (item.low_s, item.median_s, item.high_s))
        lines.append(f"{when}  {start.clock(item.low_s)}  {say(item.what)}{about}{share}")
    lines += ["", "Assumed:", *(f"  - {text}" for text in said(result.assumptions))]
    lines += ["Not checked:", *(f"  - {text}" for text in said(result.not_checked)), "", *said(result.safety)]
    return "\n".join(lines)


def clock(seconds: float) -> str:
    """Return a time from the start as h:mm:ss."""
    whole = int(seconds)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"
