"""What a running service costs, read from the kernel (proc(5)): processor time and memory of a process and its children."""

from __future__ import annotations

import os
from pathlib import Path

_TICK_S = 1.0 / os.sysconf("SC_CLK_TCK")
_PAGE = os.sysconf("SC_PAGE_SIZE")


def family(pid: int) -> list[int]:
    """Return a process and all that descend from it."""
    found, waiting = [], [pid]
    while waiting:
        one = waiting.pop()
        found.append(one)
        for task in Path(f"/proc/{one}/task").glob("*/children"):
            waiting += [int(child) for child in task.read_text().split()]
    return found


def cpu_s(pid: int, *, alone: bool = False) -> float:
    """Return the processor seconds, user's and kernel's, of a process; with its children unless `alone`."""
    total = 0
    for one in [pid] if alone else family(pid):
        fields = Path(f"/proc/{one}/stat").read_text().rpartition(")")[2].split()
        total += sum(int(fields[place]) for place in (11, 12, 13, 14))
    return total * _TICK_S


def resident_bytes(pid: int, *, alone: bool = False) -> int:
    """Return the resident memory of a process; with its children unless `alone`."""
    parts = (Path(f"/proc/{one}/statm").read_text().split()[1] for one in ([pid] if alone else family(pid)))
    return sum(int(pages) for pages in parts) * _PAGE
