"""`python -m tests.audit --seed N --story M`: one story, statement by statement; `--stories K`: many, and a table."""

from __future__ import annotations

import argparse
import signal
import sys
import time
from collections import Counter
from contextlib import suppress

from tests.audit.audit import Audited, audited
from tests.audit.figures import Figures
from tests.audit.shrink import shrunk
from tests.audit.sight import So
from tests.audit.stories import story_of


def main() -> int:
    """Play what is asked for, print it, and return 1 where something false was said."""
    asked = argparse.ArgumentParser(prog="python -m tests.audit", description=__doc__)
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--story", type=int, default=0, help="the story, or the first of them")
    asked.add_argument(
        "--stories", type=int, default=None, help="how many stories, with a table of every kind"
    )
    asked.add_argument("--sockets", action="store_true", help="play the story through real sockets")
    asked.add_argument("--every", action="store_true", help="print every statement of the story")
    asked.add_argument(
        "--shrink",
        metavar="KIND",
        help="the smallest form of the story in which a fault of this kind remains",
    )
    given = asked.parse_args()
    if given.shrink:
        found = shrunk(story_of(given.seed, given.story), given.shrink)
        print(f"{found!r}\n\n{account(audited(found), every=given.every)}")
        return 0
    if given.stories is None:
        one = audited(story_of(given.seed, given.story), sockets=given.sockets)
        print(account(one, every=given.every))
        return 0 if one.sound else 1
    figures, faults = Figures(), Counter[str]()
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    with suppress(KeyboardInterrupt):  # the table of what was played until then is still printed
        played(given.seed, range(given.story, given.story + given.stories), figures, faults)
    print(figures.table())
    return 1 if faults else 0


def played(seed: int, numbers: range, figures: Figures, faults: Counter[str]) -> None:
    """Audit stories one after another, printing what is wrong, and how far it has come."""
    began_s = time.monotonic()
    for place, number in enumerate(numbers, 1):
        one = audited(story_of(seed, number))
        figures.add(one)
        shown: Counter[str] = Counter()
        for said, found in one.false:
            shown[said.kind] += 1
            if shown[said.kind] <= 2:
                told = f"  story {number}: {said.at_s:.0f} s, {said.kind} {said.about}: {found.why}"
                print(told[:300], flush=True)
        for gap in one.missed:
            if gap.late_s is None:
                print(f"  story {number}: {gap.from_s:.0f} s, never said: {gap.kind} {gap.about}", flush=True)
        faults += one.faults()
        if place % 10 == 0:
            print(f"{place} stories, {time.monotonic() - began_s:.0f} s: {figures.line()}", flush=True)


def account(one: Audited, *, every: bool) -> str:
    """Return a story for a person to read: what happened, what was false, what was not said."""
    lines = [one.story.told(), ""]
    for said, found in sorted(one.found, key=lambda pair: pair[0].at_s):
        if every or found.so is So.FALSE:
            mark = {So.TRUE: " ", So.UNDECIDED: "?", So.FALSE: "!"}[found.so]
            lines.append(
                f"{mark} {said.at_s:5.0f}-{said.until_s:<5.0f} {said.kind} {said.about} [{said.where}] {said.value}"
            )
            if found.why:
                lines.append(f"              FALSE: {found.why}")
    lines += [
        f"! {gap.from_s:5.0f}-{gap.to_s:<5.0f} never said: {gap.kind} {gap.about}"
        for gap in one.missed
        if gap.late_s is None
    ]
    counts = Counter(found.so for _, found in one.found)
    lines.append(f"{len(one.found)} statements: " + ", ".join(f"{n} {so.value}" for so, n in counts.items()))
    return "\n".join(lines)


if __name__ == "__main__":
    sys.exit(main())
