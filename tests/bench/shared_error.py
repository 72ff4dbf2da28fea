"""How much of the error of a part of a discharge a bank's next one shares: what short tests are worth together.

    python -m tests.bench.shared_error FOLDER [FAMILY]

FOLDER as in `capacity_accuracy`; FAMILY of its `measured` set is `block9` unless told: blocks with two or three runs each. Each
run is cut at a depth and judged by itself, the other blocks of the type known. Printed by depth: the root mean
square error of the record's own likelihood in points, and which part of its variance is common to the runs of one block
(the intraclass correlation of a one-way layout; negative: the runs of one differ more than those of two).
"""

import sys
from collections import defaultdict
from pathlib import Path

import numpy as np

from tests.bench.capacity_accuracy import References, no_references, others
from tests.bench.discharge_sets import Record, read_set
from tests.bench.reading_errors import told

DEPTHS = (0.03, 0.06, 0.1, 0.25, 0.5)


def intraclass(groups: list[list[float]]) -> float:
    """Return the part of the variance that is common to a group; groups of one are left out."""
    some = [np.array(g) for g in groups if len(g) > 1]
    n = sum(len(g) for g in some)
    middle = np.mean(np.concatenate(some))
    between = sum(len(g) * (np.mean(g) - middle) ** 2 for g in some) / (len(some) - 1)
    within = sum(float(np.sum((g - np.mean(g)) ** 2)) for g in some) / (n - len(some))
    size = (n - sum(len(g) ** 2 for g in some) / n) / (len(some) - 1)
    return float((between - within) / (between + (size - 1.0) * within))


def row(records: list[Record], depth: float, references: References) -> str:
    """Return a line of the table."""
    off: defaultdict[str, list[float]] = defaultdict(list)
    for record in records:
        found = told(record, depth, references)
        if found is not None:
            off[record.block].append(found[0])
    every = [e for group in off.values() for e in group]
    if len([g for g in off.values() if len(g) > 1]) < 2:
        return f"{depth:5.2f} {len(every):3d}  too few"
    rms = 100.0 * float(np.sqrt(np.mean(np.square(every))))
    return f"{depth:5.2f} {len(every):3d} {rms:7.1f} {intraclass(list(off.values())):8.2f}"


def main() -> None:
    """Print the table without and with the other blocks of the type."""
    folder, family = Path(sys.argv[1]), (sys.argv[2:] or ["block9"])[0]
    records = [r for r in read_set(folder / "measured") if r.product == family]
    for title, references in (
        ("nothing of the type known", no_references),
        ("the other blocks known", others(records, same_block=False)),
    ):
        print(f"\n{family}, {title}\ndepth   n   error   common")
        for depth in DEPTHS:
            print(row(records, depth, references), flush=True)


if __name__ == "__main__":
    main()
