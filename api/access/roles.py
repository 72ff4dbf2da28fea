"""The roles, and what each path needs: the one place where that is said. What no line names, is looking or acting by its method."""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum
from typing import Final


class Role(StrEnum):
    """What somebody may do; each may also do what those before it may."""

    LOOK = "look"
    ACT = "act"
    ADMINISTER = "administer"

    def may(self, other: Role) -> bool:
        """Return whether this role holds what another needs."""
        order = tuple(Role)
        return order.index(self) >= order.index(other)


PASS_ON: Final = "pass_on"  # noqa: S105 - the word
"""What the token of a centre may do, where others have a role: act under the names of those who act there, and nothing else."""


@dataclass(frozen=True, slots=True)
class RouteNeed:
    """What a path needs. `role` None: nothing, or a token of its own that its route looks at."""

    role: Role | None
    again: bool = False
    """Whether the password is asked for again."""
    by: bool = False
    """Whether the body says by whom; what is known of that goes before what is said."""


NOTHING: Final = RouteNeed(None)
TO_LOOK: Final = RouteNeed(Role.LOOK)
TO_ACT: Final = RouteNeed(Role.ACT, by=True)
TO_ADMINISTER: Final = RouteNeed(Role.ADMINISTER)

NEEDS: Final[tuple[tuple[str, str, RouteNeed], ...]] = (
    ("GET", "/health/live", NOTHING),
    ("GET", "/health/ready", NOTHING),
    ("GET", "/static/{name}", NOTHING),
    ("GET", "/sign-in", NOTHING),
    ("POST", "/sign-in", NOTHING),
    ("GET", "/sign-in/openid", NOTHING),
    ("GET", "/sign-in/openid/back", NOTHING),  # what the provider sends a browser back with says who it is
    ("GET", "/answer/{token}", NOTHING),  # the link itself says who may: it was sent to one person
    ("POST", "/answer/{token}", NOTHING),
    ("POST", "/sign-out", TO_LOOK),
    ("POST", "/account/password", TO_LOOK),
    ("POST", "/account/sessions", TO_LOOK),
    (
        "POST",
        "/v1/generators/{generator}/state",
        NOTHING,
    ),  # the site's own token, which is shown to nobody else
    ("POST", "/v1/ridethrough", TO_LOOK),  # plays a scenario, and changes nothing
    ("POST", "/v1/systems/{system}/ridethrough", TO_LOOK),
    ("POST", "/v1/systems/{system}/plans", RouteNeed(Role.ACT, again=True, by=True)),
    ("GET", "/v1/users", TO_ADMINISTER),
    ("POST", "/v1/users/{user}/sign-out", TO_ADMINISTER),
    ("GET", "/v1/tokens", TO_ADMINISTER),
    ("POST", "/v1/tokens/{token}/revoke", TO_ADMINISTER),
)
"""Method, path and what it needs, where that is something else than looking (GET, HEAD) or acting (all others)."""

_COMPILED: Final = tuple(
    (method, re.compile(re.sub(r"\{\w+\}", "[^/]+", path)), need) for method, path, need in NEEDS
)


def need_of(method: str, path: str) -> RouteNeed:
    """Return what a request needs, by its method and its path."""
    asked = "GET" if method == "HEAD" else method
    for known, pattern, need in _COMPILED:
        if known == asked and pattern.fullmatch(path):
            return need
    return TO_LOOK if asked == "GET" else TO_ACT
