"""The scenario is played on the newest readings in the data folder, or on a load that is given with --load.
Without a scenario: the mains is lost and not back, and the set starts at its last try."""

from __future__ import annotations

import argparse
import asyncio
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from api.exits import Exit, complain

if TYPE_CHECKING:
    from api.scenario import ScenarioBody
    from collector.configuration import Configuration
    from rules.planning.ridethrough import Ridethrough, Scenario

CASES: Final = ("as_declared", "starts", "by_hand", "never")
BANKS: Final = ("now", "full", "end_of_life")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("estate", type=Path, metavar="ESTATE.toml", help="the estate file")
    parser.add_argument("--system", required=True, metavar="ID", help="the system to play")
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
        "--back-after", type=float, metavar="S", help="the mains is back after so many seconds"
    )
    parser.add_argument("--set", choices=CASES, help="what the generator does")
    parser.add_argument("--at-try", type=int, metavar="N", help="the set starts at this try")
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
    parser.add_argument("--json", action="store_true", help="JSON for scripts")


def run(options: argparse.Namespace) -> int:
    """Play the scenario and say how it ends."""
    from collector.configuration import ConfigError, load  # noqa: PLC0415 - with what follows, only when used

    try:
        configuration = load(options.estate)
    except ConfigError as error:
        return complain(Exit.WRONG_INPUT, *(str(fault) for fault in error.faults))
    if options.system not in configuration.estate.systems:
        known = ", ".join(configuration.estate.systems)
        return complain(Exit.WRONG_INPUT, f"--system: want one of {known}; got {options.system}")
    try:
        body = _scenario(options)
        scenario = body.value()
        watts = _watts(options.load)
    except (OSError, ValueError) as error:
        return complain(Exit.WRONG_INPUT, str(error))
    return _play(options, configuration, scenario, watts)


def _play(
    options: argparse.Namespace,
    configuration: Configuration,
    scenario: Scenario,
    watts: tuple[float, ...] | None,
) -> int:
    from api.commands.shared import default_data  # noqa: PLC0415
    from api.json import to_json  # noqa: PLC0415
    from collector.database import StoreError  # noqa: PLC0415
    from collector.stored import NothingStoredError, given, stored  # noqa: PLC0415
    from rules.planning.ridethrough import ride  # noqa: PLC0415

    estate, system = configuration.estate, options.system
    try:
        if watts is not None:
            basis = given(estate, system, watts)
        else:
            basis = asyncio.run(stored(configuration, options.data or default_data(), system))
    except (StoreError, NothingStoredError) as error:
        return complain(Exit.UNREACHABLE, str(error))
    try:
        result = ride(
            basis.task,
            basis.beliefs,
            scenario,
            generator=estate.generator_of(system),
            units=estate.units_of(system),
            groups={g.id: g for g in estate.load_groups.values() if g.system == system},
        )
    except ValueError as error:
        return complain(Exit.WRONG_INPUT, str(error))
    if options.json:
        print(json.dumps({"played_on": basis.words, **to_json(result)}, indent=2, ensure_ascii=False))  # type: ignore[dict-item]
    else:
        print(plan_text(result, basis.words))
    return int(
        {"adequate": Exit.DONE, "inadequate": Exit.BAD_NEWS}.get(result.verdict.value, Exit.CANNOT_TELL)
    )


def _scenario(options: argparse.Namespace) -> ScenarioBody:
    """Return the scenario of the file and the options; an option wins. Raises ValueError and OSError."""
    from pydantic import ValidationError  # noqa: PLC0415

    from api.scenario import ScenarioBody  # noqa: PLC0415

    plain: dict[str, Any] = {}
    if options.scenario is not None:
        plain = json.loads(options.scenario.read_text(encoding="utf-8"))
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


def plan_text(result: Ridethrough, played_on: str) -> str:
    """Return a result for people: the answer, why, what happens when, what it rests on, what was not checked."""
    lines = [f"{result.system}: {WORDS[result.verdict.value]}", *(f"  {text}" for text in result.because), ""]
    lines.append(f"Played on {played_on}.")
    if result.happenings:
        lines += ["", "  earliest  expected    latest"]
    ends = {(h.low_s, h.high_s) for h in result.happenings if h.what == "bank ends"}
    for item in result.happenings:
        if item.what == "unit drops out" and (item.low_s, item.high_s) in ends:
            continue  # its only bank's end says it
        about = "" if item.about == result.system else f" {item.about}"
        share = "" if item.share > 0.99 else f" (in {int(100 * item.share)} of 100 courses)"
        when = "".join(f"{clock(s):>10}" for s in (item.low_s, item.median_s, item.high_s))
        lines.append(f"{when}  {item.what}{about}{share}")
    lines += ["", "Assumed:", *(f"  - {text}" for text in result.assumptions)]
    lines += ["Not checked:", *(f"  - {text}" for text in result.not_checked), "", *result.safety]
    return "\n".join(lines)


def clock(seconds: float) -> str:
    """Return a time from the start as h:mm:ss."""
    whole = int(seconds)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"
