"""Rows of lines that do not exist, told from lines that were lost.

A row of nothing but zeros on every poll, while other lines live, is a line the unit does not have; one
lost line of a three-phase unit looks the same. What is declared decides. Where nothing is declared,
the card's own count of lines must agree; else it stays undecided and the zeros are shown as they are.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from collector.cards.corrections.sample import Declared, Sample
from collector.cards.mib.upsmib import LINES, OBJECTS

ENOUGH: Final = 10
_GROUPS: Final = {
    group: tuple(item.name for item in OBJECTS if item.column and item.group == group)
    for group in ("input", "output", "bypass")
}


@dataclass(slots=True)
class LineLearner:
    """Counts, for each line, polls with and without anything on it while another line lived."""

    tallies: dict[str, list[int]]
    _settled: set[str] = field(default_factory=set)

    def observe(self, sample: Sample) -> None:
        """Take in one poll."""
        for group, names in _GROUPS.items():
            if group in self._settled:
                continue
            alive = {line: any(sample.get(name, line) for name in names) for line in LINES}
            if not any(alive.values()):
                continue
            for line, lives in alive.items():
                if any(f"{name}.{line}" in sample.values for name in names):
                    tally = self.tallies.setdefault(f"{group}.{line}", [0, 0])
                    tally[lives] = min(tally[lives] + 1, 100000)
            if all(alive.values()):
                self._settled.add(group)  # every line has lived: none of them can be absent any more

    def absent(self, declared: Declared) -> frozenset[tuple[str, int]]:
        """Return (group, line) of the rows that stand for no line."""
        gone = set()
        for key, (dead, alive) in self.tallies.items():
            group, _, number = key.partition(".")
            line = int(number)
            if alive or not dead or declared.output_lines is None or line <= declared.output_lines:
                continue
            # A single-phase output may hang on a three-phase input: there, only many polls decide.
            if group == "output" or dead >= ENOUGH:
                gone.add((group, line))
        return frozenset(gone)

    def as_json(self) -> dict[str, Any]:
        """Return what is to be remembered."""
        return {"tallies": self.tallies}

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> LineLearner:
        """Return a learner that remembers."""
        return cls({key: [int(t[0]), int(t[1])] for key, t in data["tallies"].items()})
