"""The backtest: 300 bank lives through the real rules, in minutes.

    python -m tests.backtest.run [--banks 300] [--seed 20] [--workers 2] [--out FOLDER]

Prints the table and writes `backtest.md` and `backtest.svg` into the folder.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

from tests.backtest import lives, report, worlds  # noqa: E402 - threads are set before numpy is loaded


def one(number: int, count: int, seed: int) -> lives.Walk:
    """Return the walk of one life."""
    return lives.walk(worlds.build(number, count, seed))


def main() -> int:
    """Run the backtest."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--banks", type=int, default=300)
    parser.add_argument("--seed", type=int, default=20)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--out", type=Path, default=Path("backtest-out"))
    asked = parser.parse_args()
    start = time.monotonic()
    with ProcessPoolExecutor(asked.workers) as pool:
        count = asked.banks
        walks = list(pool.map(one, range(count), [count] * count, [asked.seed] * count, chunksize=4))
    took = time.monotonic() - start
    asked.out.mkdir(parents=True, exist_ok=True)
    text = report.table(walks, seed=asked.seed, took_s=took)
    (asked.out / "backtest.md").write_text(text, encoding="utf-8")
    (asked.out / "backtest.svg").write_text(report.plot(walks), encoding="utf-8")
    print(text)
    print(f"{took:.0f} s; table and plot in {asked.out}", file=sys.stderr)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
