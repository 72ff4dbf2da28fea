"""What can go wrong between us and a card, each with its own type: a card's mistake is never a caller's."""

# ruff: noqa: N818 - these names say what happened, as the callers read them

from __future__ import annotations


class SnmpError(Exception):
    """Any known failure to read a card; `str()` is one clear sentence."""


class MalformedMessage(SnmpError, ValueError):
    """Bytes that are not a well-formed SNMP message: the only error the codec raises on input."""


class NoReply(SnmpError):
    """No acceptable reply arrived in time."""


class PortClosed(SnmpError):
    """The host answered that nothing listens on the port (ICMP port unreachable)."""


class HostUnreachable(SnmpError):
    """The network said that the host cannot be reached, or its name is not known."""


class CannotListen(SnmpError):
    """The port for notifications cannot be had; `str()` says which and why."""


class CardRefused(SnmpError):
    """The card answered with an error status (RFC 3416, 3) that we could not work around."""

    def __init__(self, status: int, index: int, name: str) -> None:
        super().__init__(f"the card answered {name} ({status}) for varbind {index}")
        self.status = status
        self.index = index


class SecurityFailure(SnmpError):
    """SNMPv3 refused us, or a reply failed its checks. `reason` is short, `remedy` says what to do.

    `hearsay` says who says so where nobody signed for it.
    """

    def __init__(self, reason: str, remedy: str, *, hearsay: str | None = None) -> None:
        super().__init__(
            f"{reason}; {remedy}" if hearsay is None else f"{hearsay}: {reason}. If it is true: {remedy}"
        )
        self.reason = reason
        self.remedy = remedy
        self.hearsay = hearsay
