"""What a server was told of who may reach it: where it listens, the proxies before it, how long a session lasts."""

from __future__ import annotations

import ipaddress
from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta
from typing import Final

from api.access.passwords import USUAL_COST, HashCost
from api.access.peers import is_ours

Network = ipaddress.IPv4Network | ipaddress.IPv6Network


@dataclass(frozen=True, slots=True)
class OpenIdPlace:
    """A site's OpenID provider. `claim`: what of an identity names the user here; `secret` None: a client that has none."""

    issuer: str
    client: str
    secret: str | None
    claim: str


@dataclass(frozen=True, slots=True)
class AccessTerms:
    """How one server lets people and programs in; what is left out holds for a server on loopback alone."""

    loopback: bool = True
    """Whether it listens on this machine only."""
    encrypted: bool = False
    """Whether its own connections are encrypted."""
    proxies: tuple[Network, ...] = ()
    """Where proxies ask from: what they say of whom they ask for is taken from them alone."""
    user_header: str | None = None
    """The header in which a proxy names whom it knows, in lower case."""
    proxy_secret: str | None = None
    """What a proxy shows beside its address."""
    idle: timedelta = timedelta(minutes=30)
    """After so long without a request a session that may act is over."""
    lasts: timedelta = timedelta(hours=12)
    """After so long every session is over."""
    openid: OpenIdPlace | None = None
    """The provider that vouches for people, None where nobody but themselves does."""
    local_token: str | None = None
    """What a program on this machine shows that can read the service's own files."""
    cost: HashCost = USUAL_COST
    ours: Callable[[tuple[str, int], tuple[str, int]], bool] = is_ours
    """Whether a connection's other end and this one belong to the same user of this machine."""

    def is_proxy(self, address: str) -> bool:
        """Return whether a proxy asks from an address."""
        try:
            found = ipaddress.ip_address(address)
        except ValueError:
            return False
        if isinstance(found, ipaddress.IPv6Address) and found.ipv4_mapped is not None:
            found = found.ipv4_mapped
        return any(found in network for network in self.proxies)


LOOPBACK: Final = AccessTerms()
