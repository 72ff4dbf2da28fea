"""Where a card answers: `snmp://HOST[:PORT]`, an address or a host name."""

from __future__ import annotations

import ipaddress
import re
from dataclasses import dataclass
from typing import Final

SNMP_PORT: Final = 161
WANTED: Final = "snmp://HOST or snmp://HOST:PORT, an IPv6 address in brackets"

_SHAPE: Final = re.compile(
    r"snmp://(?:\[(?P<six>[0-9A-Fa-f:.]+(?:%[A-Za-z0-9_.-]+)?)\]|(?P<host>[A-Za-z0-9._-]+))"
    r"(?::(?P<port>[0-9]{1,5}))?/?"
)
_LABEL: Final = re.compile(r"(?!-)[A-Za-z0-9_-]{1,63}(?<!-)")


@dataclass(frozen=True, slots=True)
class CardTarget:
    """Host and UDP port of a card. `host` is a literal address (IPv6 without brackets) or a name."""

    host: str
    port: int = SNMP_PORT

    @property
    def is_address(self) -> bool:
        """Return whether `host` is a literal address, so that no name needs looking up."""
        try:
            ipaddress.ip_address(self.host)
        except ValueError:
            return False
        return True

    def __str__(self) -> str:
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"snmp://{host}" if self.port == SNMP_PORT else f"snmp://{host}:{self.port}"


def parse_target(text: str) -> CardTarget:
    """Return the target that `text` names.

    Raises ValueError that says what was wanted; the text itself is not repeated, since people paste
    communities into addresses.
    """
    found = _SHAPE.fullmatch(text)
    if found is None:
        raise ValueError(WANTED)
    port = int(found["port"] or SNMP_PORT)
    if not 0 < port < 65536:
        raise ValueError("a port from 1 to 65535")
    if found["six"] is not None:
        return CardTarget(_ipv6(found["six"]), port)
    return CardTarget(_host(found["host"]), port)


def _ipv6(text: str) -> str:
    try:
        return str(ipaddress.IPv6Address(text))
    except ValueError:
        raise ValueError("an IPv6 address between the brackets") from None


def _host(text: str) -> str:
    """Return a host name in lower case, or an IPv4 address (RFC 1123, section 2.1)."""
    if re.fullmatch(r"[0-9.]+", text) or re.fullmatch(r"[0-9]+", text.rpartition(".")[2]):
        try:
            return str(ipaddress.IPv4Address(text))
        except ValueError:
            raise ValueError("an IPv4 address of four numbers from 0 to 255") from None
    name = text.removesuffix(".")
    if len(name) > 253 or not all(_LABEL.fullmatch(label) for label in name.split(".")):
        raise ValueError("a host name of letters, digits, hyphens and dots")
    return name.lower()
