"""How good what was said was, over many stories: by kind, by interval, by letter."""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass, field

from rules.values.severity import Severity
from tests.audit.audit import Audited
from tests.audit.sight import So

GRAVE = frozenset({Severity.MAJOR, Severity.CRITICAL})


@dataclass
class Figures:
    """Counts over stories."""

    stories: int = 0
    said: defaultdict[str, Counter[So]] = field(default_factory=lambda: defaultdict(Counter))
    grave_false: int = 0
    intervals: defaultdict[str, list[tuple[bool, bool]]] = field(default_factory=lambda: defaultdict(list))
    waits: defaultdict[str, list[float | None]] = field(default_factory=lambda: defaultdict(list))
    late: Counter[str] = field(default_factory=Counter)
    letters: int = 0

    def add(self, one: Audited) -> None:
        """Count a story in."""
        self.stories += 1
        for said, found in one.found:
            self.said[said.kind][found.so] += 1
            self.grave_false += found.so is So.FALSE and said.severity in GRAVE
            if found.interval is not None:
                self.intervals[said.kind].append(found.interval)
            self.letters += said.kind.startswith("notice ")
        for gap in one.missed:
            self.waits[gap.kind].append(gap.late_s)
            self.late[gap.kind] += gap.late_s is not None and gap.late_s > gap.allowed_s

    def total(self, so: So) -> int:
        """Return how many statements were so."""
        return sum(counts[so] for counts in self.said.values())

    def line(self) -> str:
        """Return the totals in a line."""
        missed = sum(w is None for waits in self.waits.values() for w in waits)
        return (
            f"{self.total(So.TRUE)} true, {self.total(So.FALSE)} false ({self.grave_false} grave), "
            f"{self.total(So.UNDECIDED)} undecided, {missed} missed, {self.late.total()} late"
        )

    def table(self) -> str:
        """Return every kind with its counts, then the intervals and what had to be said."""
        lines = [
            f"{self.stories} stories: {self.line()}; {self.letters / max(self.stories, 1):.1f} letters a story",
            "",
        ]
        lines.append(f"{'kind':42} {'said':>7} {'true':>7} {'false':>6} {'undecided':>9}")
        for kind, counts in sorted(self.said.items()):
            lines.append(
                f"{kind:42} {counts.total():7} {counts[So.TRUE]:7} {counts[So.FALSE]:6} {counts[So.UNDECIDED]:9}"
            )
        lines += ["", f"{'interval':42} {'held':>7} {'low before the truth':>21} {'inside':>7}"]
        for kind, held in sorted(self.intervals.items()):
            low = sum(a for a, _ in held) / len(held)
            inside = sum(a and b for a, b in held) / len(held)
            lines.append(f"{kind:42} {len(held):7} {low:21.1%} {inside:7.1%}")
        lines += [
            "",
            f"{'had to be said':42} {'times':>7} {'missed':>7} {'late':>5} {'median':>8} {'longest':>8}",
        ]
        for kind, waits in sorted(self.waits.items()):
            known = sorted(w for w in waits if w is not None)
            middle, longest = (f"{known[len(known) // 2]:.0f} s", f"{known[-1]:.0f} s") if known else ("", "")
            missed = len(waits) - len(known)
            lines.append(f"{kind:42} {len(waits):7} {missed:7} {self.late[kind]:5} {middle:>8} {longest:>8}")
        return "\n".join(lines)
