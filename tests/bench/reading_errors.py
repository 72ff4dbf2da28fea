"""How far what a part of a discharge itself says of health is off, by depth: what advice on tests reckons with.

    python -m tests.bench.reading_errors FOLDER [SET]

FOLDER as in `capacity_accuracy`; SET is `develop` unless told. For each depth (a share of the true run) and with or
without a sound reference of the product: the root mean square error of the mean of the record's own likelihood, the
standard deviation that this likelihood states, in points, and how many records told anything. The figures stand in
`rules.battery.assessment.test_reading`.
"""

import sys
from pathlib import Path

import numpy as np

from rules.battery.discharge.capacity import judge_discharge
from rules.battery.discharge.likelihood import moments
from tests.bench.capacity_accuracy import References, battery_for, nearest_fresh, no_references
from tests.bench.discharge_sets import Record, read_set

DEPTHS = (0.03, 0.06, 0.1, 0.15, 0.25, 0.4, 0.5, 0.6, 0.75, 0.9)


def told(record: Record, depth: float, references: References) -> tuple[float, float] | None:
    """Return error and stated standard deviation of a record cut at a depth; None where it told nothing."""
    found = judge_discharge(record.log, battery_for(record), references(record), until_s=record.end_s * depth)
    if not found.likelihood or found.ended or record.health is None:
        return None
    mean, sd = moments(found.likelihood)
    return mean - record.health, sd


def main() -> None:
    """Print the table."""
    folder, name = Path(sys.argv[1]), (sys.argv[2:] or ["develop"])[0]
    records = read_set(folder / name)
    for title, references in (("no reference", no_references), ("one reference", nearest_fresh(records, 1))):
        print(f"\n{name}, {title}\ndepth   n   error   stated")
        for depth in DEPTHS:
            some = [t for r in records if (t := told(r, depth, references)) is not None]
            if not some:
                print(f"{depth:5.2f}   0")
                continue
            off, sd = np.array([t[0] for t in some]), np.array([t[1] for t in some])
            rms = float(np.sqrt(np.mean(off**2)))
            stated = float(np.sqrt(np.mean(sd**2)))
            print(f"{depth:5.2f} {len(some):3d} {100 * rms:7.1f} {100 * stated:8.1f}")


if __name__ == "__main__":
    main()
