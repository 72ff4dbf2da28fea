"""Whose the other end of a connection is, where both ends are on this machine: the kernel knows, and nobody can say otherwise.

Linux lists the sockets of a network namespace with their owners (proc(5), `/proc/net/tcp`). Only an established
connection counts: of one that its program has closed already the list says root, whoever it was.
"""

from __future__ import annotations

import ipaddress
import os
import sys
from pathlib import Path
from typing import Final

TABLES: Final = {4: Path("/proc/self/net/tcp"), 6: Path("/proc/self/net/tcp6")}
ESTABLISHED: Final = "01"


def is_ours(client: tuple[str, int], server: tuple[str, int]) -> bool:
    """Return whether the other end (`client`) of a connection to us (`server`) belongs to whoever runs this process."""
    return owner(client, server) == os.geteuid()


def owner(client: tuple[str, int], server: tuple[str, int]) -> int | None:
    """Return the user id that a local end belongs to, None where it is not local or cannot be told."""
    try:
        ends = ipaddress.ip_address(client[0]), ipaddress.ip_address(server[0])
    except ValueError:
        return None
    if not all(end.is_loopback for end in ends) or ends[0].version != ends[1].version:
        return None
    wanted = _written(client), _written(server)
    try:
        with TABLES[ends[0].version].open(encoding="ascii") as lines:
            next(lines, None)
            for line in lines:
                fields = line.split()
                if (fields[1], fields[2]) == wanted and fields[3] == ESTABLISHED and fields[9] != "0":
                    return int(fields[7])
    except (OSError, ValueError, IndexError):
        return None
    return None


def _written(end: tuple[str, int]) -> str:
    """Return an address and port as the list writes them: words of four octets in the machine's order, in hexadecimal."""
    packed = ipaddress.ip_address(end[0]).packed
    words = (int.from_bytes(packed[i : i + 4], "big") for i in range(0, len(packed), 4))
    turned = (word.to_bytes(4, sys.byteorder).hex().upper() for word in words)
    return f"{''.join(turned)}:{end[1]:04X}"
