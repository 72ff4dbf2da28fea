"""How well capacity and time to end are told from part of a discharge, beside the naive rules.

    python -m tests.bench.capacity_accuracy FOLDER [SET ...]

FOLDER holds one folder per set, each with truth.json and CSV records (`discharge_sets`). Sets: develop,
validate (with and without references), block9, rates, block17 (from `measured`). Nothing is learnt here:
the prior ships with the rules. Errors of capacity in points of percent, of time to end in percent of the
true run; cover, width and interval score belong to the 90 % interval (Gneiting and Raftery, 2007).
"""

import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from rules.battery.discharge.capacity import ReferenceLog, judge_discharge
from rules.battery.discharge.capacity_estimate import CapacityEstimate
from rules.battery.discharge.record.clean_discharge import Battery
from rules.battery.model.runtime_curve import Floats, curve_through, generic_curve
from rules.values.verdict import Basis
from tests.bench.discharge_sets import Record, read_set

DEPTHS = (0.1, 0.2, 0.25, 0.3, 0.5, 0.75, 1.0)
References = Callable[[Record], Sequence[ReferenceLog]]


@dataclass(frozen=True)
class Row:
    """One judgement of one record at one depth."""

    depth: float
    file: str
    truth: float
    middle: float
    low: float
    high: float
    run_s: float
    end_s: float
    end_low_s: float
    end_high_s: float
    rated_s: float
    line_s: float
    peukert_s: float
    rated: float
    line: float
    peukert: float
    cpu_s: float


def battery_for(record: Record) -> Battery:
    """Return the battery a record was taken from, its table if it has one."""
    curve = curve_through(record.table, record.end_v, Basis.TABLE) if record.table else None
    if curve is None and record.rated_ah:
        curve = generic_curve(float(record.rated_ah), record.end_v)
    return Battery(
        record.cells,
        record.strings,
        record.end_v,
        curve,
        rated_capacity_ah=record.rated_ah,
        type=record.product,
    )


def naive_ends(record: Record, battery: Battery, upto_s: float) -> tuple[float, float, float]:
    """Return the end in s by the rated table, by a straight line of voltage, and by Peukert from rated Ah."""
    log = record.log.until(upto_s)
    volts, amps = log.bank_voltage_v / record.cells, log.bank_current_a / record.strings
    rated = np.nan
    power = float(np.mean(volts * amps))
    if battery.curve is not None:
        rated = float(battery.curve.seconds(power))
    slope, level = np.polyfit(log.t_s, volts, 1) if len(volts) > 3 else (-1e-6, volts[-1])
    line = (record.end_v - level) / slope if slope < 0.0 else np.inf
    peukert = np.nan
    if record.rated_ah:
        i20 = float(record.rated_ah) / 20.0
        peukert = 20.0 * 3600.0 * (i20 / float(np.mean(amps))) ** 1.2
    return rated, float(np.clip(line, upto_s, 50.0 * record.end_s)), peukert


def judge(record: Record, depth: float, references: Sequence[ReferenceLog]) -> Row | None:
    """Return the judgement of one record cut at a depth, None where the rules cannot tell."""
    battery = battery_for(record)
    upto = record.end_s * depth if depth < 1.0 else float(record.log.t_s[-1])
    start = time.process_time()
    found: CapacityEstimate = judge_discharge(record.log, battery, references, until_s=upto)
    cpu = time.process_time() - start
    if found.cannot_tell is not None or found.capacity_fraction is None:
        return None
    rated, line, peukert = naive_ends(record, battery, min(upto, record.end_s))
    scale = (record.health or np.nan) / record.end_s
    return Row(
        depth,
        record.file,
        record.health if record.health is not None else np.nan,
        found.capacity_fraction,
        found.capacity_fraction_low or np.nan,
        found.capacity_fraction_high or np.nan,
        record.end_s,
        found.end_of_discharge_s or np.nan,
        found.end_of_discharge_low_s or np.nan,
        found.end_of_discharge_high_s or np.nan,
        rated,
        line,
        peukert,
        1.0,
        line * scale,
        peukert * scale,
        cpu,
    )


def evaluate(
    records: Sequence[Record], references: References, depths: Sequence[float] = DEPTHS
) -> list[Row]:
    """Return the judgements of all records at all depths."""
    rows = (judge(r, d, references(r)) for d in depths for r in records)
    return [row for row in rows if row is not None]


def _column(rows: Sequence[Row], name: str) -> Floats:
    return np.array([getattr(row, name) for row in rows], dtype=np.float64)


def show(title: str, rows: Sequence[Row]) -> None:
    """Print one table; the end of the run is judged where no capacity is known as truth."""
    print(f"\n{title}")
    if not rows:
        print("  cannot tell")
        return
    print(
        "  depth   n | capacity: MAE  median  bias  cover width score | rated  line Peukert"
        " | end: median  p90  worst cover early | rated  line Peukert | cpu ms"
    )
    covered_all: list[float] = []
    for depth in DEPTHS:
        part = [row for row in rows if row.depth == depth]
        if not part:
            continue
        truth, middle = _column(part, "truth"), _column(part, "middle")
        low, high = _column(part, "low"), _column(part, "high")
        run = _column(part, "run_s")
        end_error = 100.0 * np.abs(_column(part, "end_s") - run) / run
        end_cover = (_column(part, "end_low_s") <= run) & (run <= _column(part, "end_high_s"))
        early = run < _column(part, "end_low_s")
        known = np.isfinite(truth)
        cells = "      -       -     -      -     -     - |     -     -       -"
        covered = end_cover
        if known.any():
            error = 100.0 * (middle - truth)[known]
            covered = (low <= truth) & (truth <= high)
            score = (high - low) + 20.0 * np.maximum(low - truth, 0.0) + 20.0 * np.maximum(truth - high, 0.0)
            naive = [
                100.0 * np.mean(np.abs(_column(part, n) - truth)[known]) for n in ("rated", "line", "peukert")
            ]
            cells = (
                f"  {np.mean(np.abs(error)):5.2f}   {np.median(np.abs(error)):5.2f} {np.mean(error):+5.2f}"
                f"   {100.0 * np.mean(covered[known]):4.0f} {100.0 * np.median((high - low)[known]):5.1f} {100.0 * np.mean(score[known]):5.1f}"
                f" | {naive[0]:5.1f} {naive[1]:5.0f}   {naive[2]:5.1f}"
            )
        if depth < 1.0:
            covered_all += list(covered)
        naive_end = [
            np.median(100.0 * np.abs(_column(part, n) - run) / run)
            for n in ("rated_s", "line_s", "peukert_s")
        ]
        print(
            f"  {100 * depth:4.0f}% {len(part):3d} | {cells} |   {np.median(end_error):5.2f} {np.quantile(end_error, 0.9):5.1f} {np.max(end_error):5.1f}"
            f"  {100 * np.mean(end_cover):4.0f} {100 * np.mean(early):4.0f} | {naive_end[0]:5.1f} {naive_end[1]:5.0f}   {naive_end[2]:5.1f} | {1e3 * np.mean(_column(part, 'cpu_s')):4.0f}"
        )
    print(f"  cover pooled over depths under 100 %: {100.0 * np.mean(covered_all):.0f} %")


def no_references(_: Record) -> Sequence[ReferenceLog]:
    """Return no references."""
    return ()


def nearest_fresh(pool: Sequence[Record], number: int) -> References:
    """Return a choice of the `number` nearest sound records of the same product and end voltage."""

    def choose(record: Record) -> Sequence[ReferenceLog]:
        sound = [
            r
            for r in pool
            if r.product == record.product
            and r.file != record.file
            and abs(r.end_v - record.end_v) < 0.005
            and (r.health or 0.0) > 0.9
        ]
        sound.sort(key=lambda r: abs(np.log(r.truth["table_time_s"] / record.truth["table_time_s"])))
        return [ReferenceLog(r.log, battery_for(r)) for r in sound[:number]]

    return choose


def others(pool: Sequence[Record], *, same_block: bool) -> References:
    """Return all records of other blocks; with `same_block` the block's own other runs too."""

    def choose(record: Record) -> Sequence[ReferenceLog]:
        return [
            ReferenceLog(r.log, battery_for(r), own=r.block == record.block)
            for r in pool
            if r.file != record.file and (same_block or r.block != record.block)
        ]

    return choose


def simulated(folder: Path, name: str, pool_name: str) -> None:
    """Print the tables of a simulated set, without, with one, and with three references."""
    records, pool = read_set(folder / name), read_set(folder / pool_name)
    show(f"{name}, no reference", evaluate(records, no_references))
    show(f"{name}, one sound reference of the product", evaluate(records, nearest_fresh(pool, 1)))
    show(f"{name}, three sound references of the product", evaluate(records, nearest_fresh(pool, 3)))


def measured(folder: Path, family: str) -> None:
    """Print the tables of one family of measured records."""
    records = [r for r in read_set(folder / "measured") if r.product == family]
    show(f"{family}, nothing of the type known", evaluate(records, no_references))
    if family == "block9":
        show("block9, the other blocks as references", evaluate(records, others(records, same_block=False)))
        show("block9, the block's own other runs too", evaluate(records, others(records, same_block=True)))
    else:
        show(f"{family}, its other rates as references", evaluate(records, others(records, same_block=True)))


def main() -> None:
    """Print all tables, or those named."""
    folder, names = Path(sys.argv[1]), sys.argv[2:] or ["develop", "validate", "block9", "rates", "block17"]
    for name in names:
        if name == "develop":
            simulated(folder, "develop", "develop")
        elif name == "validate":
            simulated(folder, "validate", "validate_reference")
        else:
            measured(folder, name)


if __name__ == "__main__":
    main()
