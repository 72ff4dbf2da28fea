"""Words to the service manager (the sd_notify protocol): ready, alive, stopping.

Nothing happens where no manager listens, so callers need not ask.
"""

from __future__ import annotations

import os
import socket


def notify(message: str) -> bool:
    """Send one message, e.g. "READY=1"; return whether a manager was there to get it."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address or address[0] not in "/@":
        return False
    name = "\0" + address[1:] if address[0] == "@" else address
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sender:
            sender.sendto(message.encode(), name)
    except OSError:
        return False
    return True


def watchdog_period_s() -> float | None:
    """Return how often the manager wants to hear "WATCHDOG=1": half its limit, in s; None if it does not ask."""
    limit_us = os.environ.get("WATCHDOG_USEC", "")
    if not limit_us.isdigit() or os.environ.get("WATCHDOG_PID", str(os.getpid())) != str(os.getpid()):
        return None
    return int(limit_us) / 2e6
