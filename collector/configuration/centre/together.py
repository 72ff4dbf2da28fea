"""Several sites' estate files, and their centre's, held against each other: what is sound in each and wrong between them."""

from __future__ import annotations

from collections.abc import Sequence

from collector.configuration.centre.file import CentreFile
from collector.configuration.channel_tables import MqttSettings
from collector.configuration.faults import FaultList, nearest, shown
from collector.configuration.loading import Configuration


def collector_of(site: Configuration) -> str:
    """Return by what name a site's collector tells of itself."""
    return site.delivery.collector or next(iter(site.estate.sites))


def held_together(sites: Sequence[Configuration], centre: CentreFile | None) -> list[FaultList]:
    """Return what is wrong between some files, by file: each site's in order, then the centre's where there is one."""
    found, before = [], dict[str, Configuration]()
    telephones: dict[str, tuple[str, Configuration]] = {}
    for site in sites:
        notes, name = FaultList(str(site.path)), collector_of(site)
        if name in before:
            want = f"a name of its own: {before[name].path} has this one, and each would speak over the other"
            notes.fault("delivery.collector", want, shown(name))
        before.setdefault(name, site)
        for person in site.people.persons:
            known, where = telephones.setdefault(person.name, (person.telephone or "", site))
            if person.telephone is not None and known not in {"", person.telephone}:
                want = f"the number that {where.path} has of the same person, or another name"
                notes.warn(f"person.{person.name}.telephone", want, "another one")
        if centre is not None:
            _beside(centre, site, name, notes)
        found.append(notes)
    if centre is not None and sites:
        notes = FaultList(str(centre.path))
        for missing in (one for one in centre.sites if one.id not in before):
            want = "its estate file among those that are checked, under this [delivery] collector"
            notes.warn(f"site.{missing.id}", want, "none")
        found.append(notes)
    return found


def _beside(centre: CentreFile, site: Configuration, name: str, notes: FaultList) -> None:
    """Note what keeps a centre from hearing a site."""
    known = [one.id for one in centre.sites]
    if name not in known:
        want = f"a site of {centre.path}{nearest(name, known)}"
        notes.fault("delivery.collector", want, shown(name))
    telling = [one for one in site.channels.values() if isinstance(one, MqttSettings) and one.tells_centre]
    if not telling:
        notes.fault(
            "channel", "one with tells_centre = true: else the centre hears nothing of the site", "none"
        )
    below = {broker.topics_below for broker in centre.brokers}
    for channel in telling:
        if channel.topics_below not in below:
            want = f"{' or '.join(map(shown, sorted(below)))}, as {centre.path} listens"
            notes.fault(f"channel.{channel.id}.topics_below", want, shown(channel.topics_below))
