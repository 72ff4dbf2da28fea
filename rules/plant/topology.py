"""Where a thing stands: site, supply and generator, switchboard, system, unit, bank; what stands above two things.

Two supplies never share more than their site, so causes on unlinked feeds are never merged.
"""

from __future__ import annotations

from collections.abc import Container, Iterable
from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property

from rules.plant.estate import Estate


@dataclass(frozen=True)
class Topology:
    """The tree of an estate, by id."""

    estate: Estate

    @cached_property
    def _paths(self) -> dict[str, tuple[str, ...]]:
        estate = self.estate
        paths: dict[str, tuple[str, ...]] = {site: (site,) for site in estate.sites}
        for supply in estate.supplies.values():
            paths[supply.id] = (supply.site, supply.id)
        for system in estate.systems.values():
            above = paths[system.supply]
            if system.board is not None:
                above = (*above, f"{system.supply}/{system.board}")
                paths[above[-1]] = above
            paths[system.id] = (*above, system.id)
        for unit in estate.units.values():
            paths[unit.id] = (*paths[unit.system], unit.id)
        for bank in estate.banks.values():
            feeds = [paths[unit] for unit in bank.feeds]
            paths[bank.id] = (*_common(feeds), bank.id)
        for supply in estate.supplies.values():
            if supply.generator is not None:
                paths.setdefault(supply.generator, (supply.site, supply.generator))
        return paths

    @cached_property
    def _supply(self) -> dict[str, str]:
        return _within(self._paths, self.estate.supplies)

    @cached_property
    def _system(self) -> dict[str, str]:
        return _within(self._paths, self.estate.systems)

    @cached_property
    def _units(self) -> dict[str, tuple[str, ...]]:
        found: dict[str, list[str]] = {}
        for unit in self.estate.units:
            for above in self._paths[unit]:
                found.setdefault(above, []).append(unit)
        return {about: tuple(units) for about, units in found.items()}

    def path(self, about: str) -> tuple[str, ...]:
        """Return what stands above a thing, from its site down, and the thing; just the thing if unknown."""
        return self._paths.get(about, (about,))

    def covers(self, scope: str, about: str) -> bool:
        """Return whether `about` is `scope` or stands below it."""
        return scope in self.path(about)

    def common(self, things: Iterable[str]) -> str | None:
        """Return the lowest thing above (or equal to) all of `things`; None where they share nothing."""
        paths = [self.path(thing) for thing in things]
        shared = _common(paths) if paths else ()
        return shared[-1] if shared else None

    def site(self, about: str) -> str | None:
        """Return the site a thing stands on, None for what belongs to no site."""
        first = self.path(about)[0]
        return first if first in self.estate.sites else None

    def supply(self, about: str) -> str | None:
        """Return the supply above a thing, if one is."""
        return self._supply.get(about)

    def siblings(self, unit: str) -> tuple[str, ...]:
        """Return the other units on the same supply."""
        supply = self.supply(unit)
        return () if supply is None else tuple(u for u in self.units(supply) if u != unit)

    def system(self, about: str) -> str | None:
        """Return the system above a thing, if one is."""
        return self._system.get(about)

    def units(self, about: str) -> tuple[str, ...]:
        """Return the units at or below a thing; for a bank, those it feeds."""
        if about in self.estate.banks:
            return self.estate.banks[about].feeds
        return self._units.get(about, ())

    def kind(self, about: str) -> Thing | None:
        """Return what a thing is; None for a site, a switchboard or something else."""
        estate = self.estate
        for things, kind in (
            (estate.supplies, Thing.SUPPLY),
            (estate.systems, Thing.SYSTEM),
            (estate.units, Thing.UNIT),
            (estate.banks, Thing.BANK),
            (estate.generators, Thing.GENERATOR),
        ):
            if about in things:
                return kind
        return None

    def name(self, about: str) -> str:
        """Return what people call a thing."""
        estate = self.estate
        if about in estate.units:
            return f"unit {about} ({estate.systems[estate.units[about].system].name})"
        if about in estate.banks:
            system = self.system(about)
            return f"bank {about}" + (f" ({estate.systems[system].name})" if system else "")
        if about in estate.systems:
            return estate.systems[about].name
        if about in estate.sites:
            return estate.sites[about].name
        for noun, things in (("supply", estate.supplies), ("generator", estate.generators)):
            if about in things:
                return f"{noun} {about}"
        return about.rsplit("/", 1)[-1]


def _within(paths: dict[str, tuple[str, ...]], known: Container[str]) -> dict[str, str]:
    """Return, for each thing, the part of its path that is among the known."""
    return {about: part for about, path in paths.items() for part in path if part in known}


def _common(paths: list[tuple[str, ...]]) -> tuple[str, ...]:
    shared: list[str] = []
    for parts in zip(*paths, strict=False):
        if len(set(parts)) != 1:
            break
        shared.append(parts[0])
    return tuple(shared)


class Thing(StrEnum):
    """What an alarm is about."""

    SUPPLY = "supply"
    SYSTEM = "system"
    UNIT = "unit"
    BANK = "bank"
    GENERATOR = "generator"
    SERVICE = "service"
    CHANNEL = "channel"
