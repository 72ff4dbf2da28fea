"""How often the truth lies within the 90 % intervals of capacity and end, stratum by stratum.

    python -m tests.bench.interval_strata FOLDER SET[:POOL] ...

FOLDER holds one folder per set, each with truth.json and CSV records (`discharge_sets`). Each record is cut at
25, 50 and 75 % of its run and judged without a reference, and with the nearest sound record of the same
product out of POOL (the set itself where none is named). A set `learn` is judged by a prior learnt without the
record's own eighth of the set (`--folds 8`), lest the records be met that taught it.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from unittest import mock

import numpy as np

from rules.battery.discharge import posterior
from rules.battery.discharge.curve import voltage
from tests.bench.capacity_accuracy import Row, judge, nearest_fresh, no_references
from tests.bench.discharge_sets import Record, read_set
from tests.bench.learn_prior import learn

DEPTHS = (0.1, 0.25, 0.5, 0.75)
SHORT_S = 1200.0
COLD_C = 18.0
WORN = 0.65


@dataclass(frozen=True)
class Cut:
    """One record judged at one depth, and what kind of discharge it was."""

    row: Row
    record: Record
    referred: bool

    @property
    def error(self) -> float:
        """Return points of capacity told too much."""
        return 100.0 * (self.row.middle - self.row.truth)

    @property
    def covered(self) -> bool:
        """Return whether the capacity lies in its interval."""
        return self.row.low <= self.row.truth <= self.row.high

    @property
    def end_covered(self) -> bool:
        """Return whether the end lies in its interval."""
        return self.row.end_low_s <= self.row.run_s <= self.row.end_high_s

    @property
    def early(self) -> bool:
        """Return whether it ended before the cautious bound."""
        return self.row.run_s < self.row.end_low_s


STRATA: dict[str, Callable[[Cut], bool]] = {
    "all": lambda _: True,
    "under 20 min": lambda c: c.record.end_s < SHORT_S,
    "from 20 min": lambda c: c.record.end_s >= SHORT_S,
    "constant load": lambda c: c.record.load == "constant",
    "stepped, wandering": lambda c: c.record.load != "constant",
    "without reference": lambda c: not c.referred,
    "with a reference": lambda c: c.referred,
    "under 18 degC": lambda c: c.record.truth["temperature_true_c"] < COLD_C,
    "from 18 degC": lambda c: c.record.truth["temperature_true_c"] >= COLD_C,
    "health under 0.65": lambda c: (c.record.health or 1.0) < WORN,
    "health from 0.65": lambda c: (c.record.health or 1.0) >= WORN,
}


def cuts(records: Sequence[Record], pool: Sequence[Record], depths: Sequence[float]) -> Iterator[Cut]:
    """Judge every record at every depth, without and with a reference where there is one."""
    refer = nearest_fresh(pool, 1)
    for record in records:
        for depth in depths:
            row = judge(record, depth, no_references(record))
            if row is not None:
                yield Cut(row, record, referred=False)
            references = refer(record)
            row = judge(record, depth, references) if references else None
            if row is not None:
                yield Cut(row, record, referred=True)


def cuts_by_folds(records: Sequence[Record], folds: int, depths: Sequence[float]) -> Iterator[Cut]:
    """Judge each part of a set by what the others teach."""
    for k in range(folds):
        own = [r for j, r in enumerate(records) if j % folds == k]
        others = [r for j, r in enumerate(records) if j % folds != k]
        taught = learn(others)
        with (
            mock.patch.object(voltage, "prior", lambda taught=taught: taught),
            mock.patch.object(posterior, "prior", lambda taught=taught: taught),
        ):
            yield from cuts(own, own, depths)


def line(name: str, part: Sequence[Cut]) -> str:
    """Return one line of the table."""
    at = {d: [c for c in part if c.row.depth == d] for d in DEPTHS}
    errors = " ".join(
        f"{np.mean([abs(c.error) for c in at[d]]):5.1f} {np.mean([c.error for c in at[d]]):+5.1f}"
        if at[d]
        else "    -     -"
        for d in DEPTHS
    )
    covers = " ".join(
        f"{100 * np.mean([c.covered for c in at[d]]):4.0f}" if at[d] else "   -" for d in DEPTHS
    )
    ends = " ".join(
        f"{100 * np.mean([c.end_covered for c in at[d]]):4.0f}" if at[d] else "   -" for d in DEPTHS
    )
    early = " ".join(f"{100 * np.mean([c.early for c in at[d]]):4.0f}" if at[d] else "   -" for d in DEPTHS)
    pooled = [100 * np.mean([getattr(c, n) for c in part]) for n in ("covered", "end_covered", "early")]
    records = len({c.record.file for c in part})
    return (
        f"{name:20s} {records:4d} | {errors} | {covers} : {pooled[0]:4.0f} | {ends} : {pooled[1]:4.0f} | "
        f"{early} : {pooled[2]:4.1f}"
    )


def show(title: str, found: Sequence[Cut]) -> None:
    """Print one table: per stratum, at each depth and (after the colon) over all depths."""
    depths = ", ".join(f"{d:.0%}" for d in DEPTHS)
    print(
        f"\n{title}; at {depths}\nstratum                 n | MAE, bias (points) | capacity inside (%) | end inside (%) | ended early (%)"
    )
    for name, within in STRATA.items():
        part = [c for c in found if within(c)]
        if part:
            print(line(name, part))
    for name in ("under 20 min", "under 18 degC", "stepped, wandering", "health under 0.65"):
        for referred in (False, True):
            part = [c for c in found if STRATA[name](c) and c.referred is referred]
            if part:
                print(line(f"{name}{', ref' if referred else ''}"[:20], part))


def main() -> None:
    """Print the tables of the sets named."""
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    parser.add_argument("sets", nargs="+")
    parser.add_argument("--folds", type=int, default=0)
    asked = parser.parse_args()
    for named in asked.sets:
        name, _, pool = named.partition(":")
        records = read_set(asked.folder / name)
        found = (
            cuts_by_folds(records, asked.folds, DEPTHS)
            if asked.folds
            else cuts(records, read_set(asked.folder / pool) if pool else records, DEPTHS)
        )
        show(named, list(found))


if __name__ == "__main__":
    main()
