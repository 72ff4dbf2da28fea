"""\
LOG.csv has a line with the names of its columns, in any order and letter case, separated by comma, semicolon or tab; an
empty cell is "not known", a column of another name is passed over:

  t_s             seconds, rising; needed
  bank_voltage_v  volts of the whole bank (or of one half, as the bank says); needed
  bank_current_a  amperes out of the bank; this or output_power_w is needed, both are better
  output_power_w  watts out of the unit
  temperature_c   of the bank, degC
  on_battery      1 in rows in which the unit says that its bank carries, else 0

  t_s,bank_voltage_v,bank_current_a,temperature_c,output_power_w
  0,544.8,0.0,22,15300
  5,492.1,33.6,22,15300
  10,490.7,33.7,22,15310

BANK.toml is one [[bank]] with its [[bank.fitted]], pasted as it stands in an estate file (of several fitted the last counts),
or these settings alone, with the same meaning; only cells_in_series is needed, the maker's table tells most:

  cells_in_series = 240           # of one half, where the bank is split about its mid-point
  strings = 1
  halves = 1                      # and voltage_reported = "whole" or "half"
  rated_capacity_ah = 9.0         # of one string
  rated_hours = 20
  end_voltage_per_cell_v = 1.67
  constant_power = [[5, 66.0], [10, 43.0], [15, 33.0], [30, 19.5]]   # minutes, watts per cell at that end voltage
  constant_power_temperature_c = 25
  installed = 2021-03-01
  design_life_years = 10
  inverter_efficiency = 0.94      # where the current was not logged; may stand in a [[bank]] too

and [[constant_power_at]] with end_voltage_per_cell_v and minutes_watts for tables at other end voltages.
A reference is an earlier long discharge of this bank or its type; REF.toml beside REF.csv gives its own bank."""

from __future__ import annotations

import argparse
import json
import math
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from api.commands.exits import Exit, complain

if TYPE_CHECKING:
    from rules.battery.discharge.capacity_estimate import CapacityEstimate

FIGURES: Final = (
    "capacity_fraction",
    "capacity_fraction_low",
    "capacity_fraction_high",
    "capacity_rate_adjusted_fraction",
    "at_power_w_per_cell",
    "at_published_time_s",
    "end_of_discharge_s",
    "end_of_discharge_low_s",
    "end_of_discharge_high_s",
    "depth_fraction",
    "resistance_ohm",
    "end_voltage_v",
)
"""The numbers of the JSON, all null where `cannot_tell` is set."""

REPLACE_UNDER: Final = 0.80
ONE_HOUR_S: Final = 3600.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("log", type=Path, metavar="LOG.csv", help="the logged discharge")
    parser.add_argument(
        "--bank", type=Path, required=True, metavar="BANK.toml", help="the bank it was logged on"
    )
    parser.add_argument(
        "--reference",
        type=Path,
        action="append",
        default=[],
        metavar="REF.csv",
        help="may be given several times",
    )
    parser.add_argument("--until", type=float, metavar="SECONDS", help="use only rows up to this t_s")
    parser.add_argument("--plot", type=Path, metavar="FILE.svg", help="write the discharge as an SVG picture")
    parser.add_argument("--json", action="store_true", help="JSON for scripts")


def run(options: argparse.Namespace) -> int:
    """Judge the bank from the log and say so."""
    # numpy and the physics behind it are loaded only when a log is really judged
    from api.commands.reports.capacity_drawing import drawing_of, svg_plot, text_plot  # noqa: PLC0415
    from collector.assessment.capacity_files import read_files  # noqa: PLC0415
    from collector.configuration.faults import ConfigError  # noqa: PLC0415
    from rules.battery.discharge.capacity import judge_discharge  # noqa: PLC0415

    if options.until is not None and not math.isfinite(options.until):
        return complain(Exit.WRONG_INPUT, f"--until: want seconds; got {options.until}")
    try:
        files = read_files(options.log, options.bank, options.reference)
    except ConfigError as error:
        return complain(Exit.WRONG_INPUT, *(str(fault) for fault in error.faults))
    found = judge_discharge(files.log, files.battery, files.references, until_s=options.until)
    drawing = drawing_of(found, files.battery)
    if options.plot is not None:
        if drawing is None:
            complain(Exit.CANNOT_TELL, f"{options.plot}: not written, since nothing could be told")
        else:
            try:
                options.plot.write_text(svg_plot(drawing, _headline(found)), encoding="utf-8")
            except OSError as error:
                return complain(
                    Exit.WRONG_INPUT, f"{options.plot}: want a file that can be written; got {error.strerror}"
                )
    if options.json:
        print(json.dumps(as_json(found), indent=2, ensure_ascii=False, allow_nan=False))
    else:
        print(as_text(found))
        if drawing is not None:
            encoding = (sys.stdout.encoding or "ascii").lower()
            print("\n" + text_plot(drawing, plain="utf" not in encoding))
    return int(Exit.DONE if found.cannot_tell is None else Exit.CANNOT_TELL)


def as_json(found: CapacityEstimate) -> dict[str, Any]:
    """Return the judgement under the names scripts rely on; nothing that is not finite gets out."""
    from rules.phrasing.reasons import say  # noqa: PLC0415

    told = found.cannot_tell is None
    values = {name: _finite(getattr(found, name)) if told else None for name in FIGURES}
    return values | {"basis": say(found.basis), "cannot_tell": None if told else say(found.cannot_tell)}


def _finite(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else float(f"{value:.6g}")


def _headline(found: CapacityEstimate) -> str:
    fraction, low, high = found.capacity_fraction, found.capacity_fraction_low, found.capacity_fraction_high
    if fraction is None or low is None or high is None:
        return "Cannot tell"
    return f"Capacity {100 * fraction:.0f} % of the published time (90 % interval {100 * low:.0f} to {100 * high:.0f} %)"


def as_text(found: CapacityEstimate) -> str:
    """Return the judgement for people."""
    from api.commands.reports.capacity_drawing import clock  # noqa: PLC0415 - with numpy behind it
    from rules.phrasing.reasons import said, say  # noqa: PLC0415

    notes = [f"  note: {remark}" for remark in said(found.because)]
    if found.cannot_tell is not None:
        return "\n".join([f"Cannot tell: {say(found.cannot_tell)}.", f"  basis: {say(found.basis)}", *notes])
    published, power = found.at_published_time_s or 0.0, found.at_power_w_per_cell or 0.0
    adjusted = found.capacity_rate_adjusted_fraction
    lines = [
        _headline(found),
        f"  at {power:.4g} W per cell, published for {clock(published)} at 25 degC",
    ]
    if adjusted is not None:
        short = published < ONE_HOUR_S
        judged = adjusted if short else found.capacity_fraction or 0.0
        which = (
            "the 80 % criterion applies to this one" if short else "the 80 % criterion applies to the time"
        )
        lines.append(f"  rate-adjusted {100 * adjusted:.0f} % ({which})")
        if judged < REPLACE_UNDER:
            lines.append("  under 80 %: due for replacement by IEEE 450 and IEEE 1188")
    end, low = found.end_of_discharge_s, found.end_of_discharge_low_s
    if end is not None and low is not None:
        if found.ended:
            lines.append(f"  the end voltage was reached after {clock(end)}")
        else:
            lines.append(
                f"  at the present power it ends {clock(end)} after its start; count on {clock(low)} only"
            )
    if found.depth_fraction is not None:
        lines.append(f"  used so far: {100 * found.depth_fraction:.0f} % of what this bank gives")
    if found.resistance_ohm is not None:
        lines.append(f"  resistance of the bank about {found.resistance_ohm:.3g} ohm")
    return "\n".join([*lines, f"  basis: {say(found.basis)}", *notes])
