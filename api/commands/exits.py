"""Exit codes of every command, and how a command complains."""

from __future__ import annotations

import sys
from enum import IntEnum


class Exit(IntEnum):
    """What the exit code says."""

    DONE = 0
    WRONG_INPUT = 2
    UNREACHABLE = 3
    BAD_NEWS = 10
    CANNOT_TELL = 11


def complain(exit_code: Exit, *lines: str) -> int:
    """Write lines to standard error and return the code, for `return complain(...)`."""
    for line in lines:
        print(line, file=sys.stderr)
    return int(exit_code)
