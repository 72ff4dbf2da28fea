"""What a centre does not do, and where it is done: at the site, by its own page and its own interface."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NoReturn

from collector.planning.signed_book import SignedBook
from collector.process.clock import Clock
from collector.recorder.current_state import Present


class AtTheSiteError(Exception):
    """It is asked or done at a site, and not at its centre. `addresses`: where, by site."""

    def __init__(self, addresses: Mapping[str, str]) -> None:
        super().__init__("at the site")
        self.addresses = addresses


class Elsewhere:
    """Stands where a site has somebody who judges, plans or acts: whatever is asked of it is asked at the site."""

    def __init__(self, addresses: Mapping[str, str]) -> None:
        self._addresses = addresses

    def __getattr__(self, name: str) -> Any:  # noqa: ANN401 - nothing is returned
        """Refuse. Raises AtTheSiteError, AttributeError for what Python itself looks for."""
        _refuse(name, self._addresses)


class PlansElsewhere(SignedBook):
    """No signed shutdown is known here: those of a site are signed, followed and shown there."""

    def __init__(self, clock: Clock, present: Present, addresses: Mapping[str, str]) -> None:
        super().__init__(clock, present, {})
        self._addresses = addresses

    def __getattr__(self, name: str) -> Any:  # noqa: ANN401 - nothing is returned
        """Refuse. Raises AtTheSiteError, AttributeError for what Python itself looks for."""
        _refuse(name, self._addresses)


def _refuse(name: str, addresses: Mapping[str, str]) -> NoReturn:
    if name.startswith("_"):
        raise AttributeError(name)
    raise AtTheSiteError(addresses)
