"""Names that must fit together: what one table of the estate file says of another."""

from __future__ import annotations

import ipaddress
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, TypeVar

from collector.configuration.card_tables import CardTable
from collector.configuration.faults import FaultList, nearest, shown
from collector.configuration.people.tables import PersonTable, RotaCalendarTable, RotaTable
from collector.configuration.plant.banks import BankTable
from collector.configuration.plant.sites import (
    GeneratorTable,
    LoadGroupTable,
    SupplyTable,
    SystemTable,
    WatchTable,
)
from collector.configuration.plant.units import UnitTable
from collector.configuration.plant.values import PlantTable
from collector.configuration.settings_tables import (
    AlarmTable,
    CalendarTable,
    DeliveryTable,
    HistoryTable,
    ListenTable,
    PlannedWorkTable,
    SetWordsTable,
)
from rules.alarms.catalogue import CATALOGUE

MAINS: Final = "mains"
_T = TypeVar("_T", bound=PlantTable)


@dataclass(slots=True)
class Entries:
    """The entries of the file that stand by themselves, and the ids of all that were there.

    `ids` also names entries that are wrong in themselves, so that one fault is not told twice.
    """

    of: dict[str, list[PlantTable]] = field(default_factory=dict)
    ids: dict[str, list[str]] = field(default_factory=dict)
    places: dict[int, str] = field(default_factory=dict)

    def all(self, kind: type[_T], table: str) -> list[_T]:
        """Return the sound entries of a table."""
        return [entry for entry in self.of.get(table, []) if isinstance(entry, kind)]

    def by_id(self, kind: type[_T], table: str) -> Mapping[str, _T]:
        """Return the sound entries of a table by their id; the first of doubles."""
        found: dict[str, _T] = {}
        for entry in self.all(kind, table):
            found.setdefault(str(getattr(entry, "id", "")), entry)
        return found

    def place(self, entry: PlantTable) -> str:
        """Return where an entry stands."""
        return self.places[id(entry)]


@dataclass(slots=True)
class _Check:
    entries: Entries
    notes: FaultList

    def names(self, place: str, name: str, table: str, what: str, others: Iterable[str] = ()) -> bool:
        """Note a fault unless `name` is an id of `table` (or one of `others`)."""
        known = [*self.entries.ids.get(table, []), *others]
        if name in known:
            return True
        self.notes.fault(place, f"{what}{nearest(name, known)}", shown(name))
        return False


def check_references(entries: Entries, notes: FaultList) -> None:
    """Note every name that leads nowhere, and every pair of tables that contradict each other."""
    check = _Check(entries, notes)
    for supply in entries.all(SupplyTable, "supply"):
        place = entries.place(supply)
        check.names(f"{place}.site", supply.site, "site", "the id of a site")
        if supply.generator is not None:
            check.names(f"{place}.generator", supply.generator, "generator", "the id of a generator")
    for system in entries.all(SystemTable, "system"):
        _check_system(system, check)
    for unit in entries.all(UnitTable, "unit"):
        check.names(f"{entries.place(unit)}.system", unit.system, "system", "the id of a system")
    _check_cards(check)
    _check_banks(check)
    _check_load_groups(check)
    _check_uncovered(check)


def _check_system(system: SystemTable, check: _Check) -> None:
    entries, notes, place = check.entries, check.notes, check.entries.place(system)
    check.names(f"{place}.site", system.site, "site", "the id of a site")
    check.names(f"{place}.supply", system.supply, "supply", "the id of a supply")
    if system.partner is not None:
        if system.partner == system.id:
            notes.fault(f"{place}.partner", "another system", "itself")
        else:
            check.names(f"{place}.partner", system.partner, "system", "the id of a system")
    supply = entries.by_id(SupplyTable, "supply").get(system.supply)
    if supply is not None and supply.site != system.site:
        notes.fault(f"{place}.supply", f"a supply of site {system.site!r}", f"one of {supply.site!r}")
    members = sum(unit.system == system.id for unit in entries.all(UnitTable, "unit"))
    if len(entries.all(UnitTable, "unit")) == len(entries.ids.get("unit", [])):
        if members == 0:
            notes.fault(place, "one unit or more that names this system", "none")
        elif system.spare_units >= members:
            notes.fault(
                f"{place}.spare_units", f"fewer spare units than units ({members})", str(system.spare_units)
            )
    generator = None
    if supply is not None and supply.generator is not None:
        generator = entries.by_id(GeneratorTable, "generator").get(supply.generator)
    _check_requirements(system, supply, generator, check)


def _check_requirements(
    system: SystemTable, supply: SupplyTable | None, generator: GeneratorTable | None, check: _Check
) -> None:
    place, notes = check.entries.place(system), check.notes
    for name in _doubles([r.id for r in system.requirements]):
        notes.fault(f"{place}.requirements", "an id of its own for each", f"{name!r} twice")
    for number, requirement in enumerate(system.requirements, 1):
        here = f"{place}.requirements#{number}"
        if requirement.required_s is not None:
            continue
        if requirement.purpose in ("orderly_shutdown", "planned"):
            notes.fault(f"{here}.required_s", f"the seconds that {requirement.purpose} takes", "nothing")
        elif supply is not None and supply.generator is None:
            notes.fault(
                f"{here}.required_s", f"seconds, since supply {supply.id!r} has no generator", "nothing"
            )
        elif requirement.purpose == "manual_generator_start" and (
            generator is not None and generator.hand_start_s is None
        ):
            notes.fault(
                f"{here}.required_s", f"seconds, or hand_start_s of generator {generator.id!r}", "neither"
            )


def _check_cards(check: _Check) -> None:
    entries, notes = check.entries, check.notes
    units = entries.by_id(UnitTable, "unit")
    spoken_for: dict[str, str] = {}
    answered_at: dict[str, str] = {}
    for card in entries.all(CardTable, "card"):
        place = entries.place(card)
        for name in card.covers:
            if check.names(f"{place}.covers", name, "unit", "the id of a unit"):
                other = spoken_for.setdefault(name, card.id)
                if other != card.id:
                    notes.fault(f"{place}.covers", f"one card for unit {name!r}", f"{other!r} covers it too")
        for name in _doubles(card.covers):
            notes.fault(f"{place}.covers", "each unit once", f"{name!r} twice")
        systems = {units[name].system for name in card.covers if name in units}
        if len(systems) > 1:
            notes.fault(f"{place}.covers", "units of one system", f"units of {_listed(systems)}")
        if card.reports == "unit" and len(card.covers) > 1:
            notes.fault(f"{place}.reports", "'sum' or 'first', since it covers several units", "'unit'")
        if card.reports != "unit" and len(card.covers) == 1:
            notes.fault(f"{place}.reports", "'unit', since it covers one", shown(card.reports))
        other = answered_at.setdefault(str(card.target), card.id)
        if other != card.id:
            notes.fault(f"{place}.target", "an address of its own", f"the one of card {other!r}")


def _check_banks(check: _Check) -> None:
    entries, notes = check.entries, check.notes
    units = entries.by_id(UnitTable, "unit")
    for bank in entries.all(BankTable, "bank"):
        place = entries.place(bank)
        for name in bank.feeds:
            check.names(f"{place}.feeds", name, "unit", "the id of a unit")
        for name in _doubles(bank.feeds):
            notes.fault(f"{place}.feeds", "each unit once", f"{name!r} twice")
        systems = {units[name].system for name in bank.feeds if name in units}
        if len(systems) > 1:
            notes.fault(f"{place}.feeds", "units of one system", f"units of {_listed(systems)}")


def _check_load_groups(check: _Check) -> None:
    entries, notes = check.entries, check.notes
    groups = entries.by_id(LoadGroupTable, "load_group")
    for group in entries.all(LoadGroupTable, "load_group"):
        place = entries.place(group)
        check.names(f"{place}.system", group.system, "system", "the id of a system")
        for name in group.restart_after:
            check.names(f"{place}.restart_after", name, "load_group", "the id of a load group")
        if _waits_for_itself(group.id, groups):
            notes.fault(
                f"{place}.restart_after", "an order that can begin somewhere", "a circle back to itself"
            )


def _waits_for_itself(start: str, groups: Mapping[str, LoadGroupTable]) -> bool:
    seen: set[str] = set()
    ahead = list(groups[start].restart_after) if start in groups else []
    while ahead:
        name = ahead.pop()
        if name == start:
            return True
        if name not in seen and name in groups:
            seen.add(name)
            ahead += groups[name].restart_after
    return False


def _check_uncovered(check: _Check) -> None:
    """Warn of units that no card speaks for, and of units without a bank."""
    entries, notes = check.entries, check.notes
    if any(len(entries.of.get(t, [])) < len(entries.ids.get(t, [])) for t in ("card", "bank", "unit")):
        return
    spoken_for = {name for card in entries.all(CardTable, "card") for name in card.covers}
    backed = {name for bank in entries.all(BankTable, "bank") for name in bank.feeds}
    for unit in entries.all(UnitTable, "unit"):
        if unit.id not in spoken_for:
            notes.warn(entries.place(unit), "a card that covers this unit", "none: it cannot be seen")
        if unit.id not in backed:
            notes.warn(entries.place(unit), "a bank that feeds this unit", "none: its hold-up cannot be told")


def check_watch(watch: WatchTable, entries: Entries, notes: FaultList) -> None:
    """Note a power source that is none, and warn of each that nobody has answered."""
    check = _Check(entries, notes)
    if MAINS in entries.ids.get("system", []):
        notes.fault("system.mains.id", 'another id: "mains" has a meaning in [watch]', "'mains'")
    for name, info in WatchTable.model_fields.items():
        value = getattr(watch, name)
        if value is None:
            notes.warn(f"watch.{name}", info.description or "an answer", "nothing")
        else:
            check.names(f"watch.{name}", value, "system", 'the id of a system, or "mains"', (MAINS,))


def check_people(entries: Entries, channels: Mapping[str, str], notes: FaultList) -> None:
    """Note people who are reached by no channel, or told about nothing. `channels`: kind by id."""
    check = _Check(entries, notes)
    subjects = [name for t in ("site", "system", "unit", "bank") for name in entries.ids.get(t, [])]
    for person in entries.all(PersonTable, "person"):
        place = entries.place(person)
        for number, reach in enumerate(person.reach, 1):
            here = f"{place}.reach#{number}"
            known = check.names(f"{here}.channel", reach.channel, "channel", "the id of a channel")
            if known and channels.get(reach.channel) == "mail" and "@" not in (reach.address or ""):
                notes.fault(f"{here}.address", "a mail address", shown(reach.address or "nothing"))
        for number, tell in enumerate(person.tell, 1):
            for name in tell.about:
                if name not in subjects:
                    notes.fault(
                        f"{place}.tell#{number}.about",
                        f"ids of sites, systems, units or banks{nearest(name, subjects)}",
                        shown(name),
                    )


def check_rotas(entries: Entries, notes: FaultList) -> None:
    """Note names of rotas and people that lead nowhere, stand-ins that end before they begin, rotas that tell nobody."""
    check = _Check(entries, notes)
    told: dict[str, set[str]] = {}
    for person in entries.all(PersonTable, "person"):
        for number, tell in enumerate(person.tell, 1):
            if tell.on_call is not None:
                here = f"{entries.place(person)}.tell#{number}.on_call"
                check.names(
                    here, tell.on_call, "rota", "the id of a rota", entries.ids.get("rota_calendar", [])
                )
                told.setdefault(tell.on_call, set()).add(person.name)
    for calendar in entries.all(RotaCalendarTable, "rota_calendar"):
        if calendar.id in entries.ids.get("rota", []):
            notes.fault(f"{entries.place(calendar)}.id", "an id that no rota has", shown(calendar.id))
        if calendar.id not in told:
            want = f"people whose `tell` has on_call = {calendar.id!r}"
            notes.warn(f"{entries.place(calendar)}.id", want, "nobody: it is read for nothing")
    for rota in entries.all(RotaTable, "rota"):
        place = entries.place(rota)
        named = [*rota.people, *(one.person for one in rota.stand_in)]
        for name in dict.fromkeys(named):
            known = check.names(f"{place}.people", name, "person", "the name of a person")
            if known and name not in told.get(rota.id, set()):
                notes.warn(
                    f"person.{name}",
                    f"a line of `tell` with on_call = {rota.id!r}: {name} is on call by it",
                    "none: being on call changes nothing for them",
                )
        for number, one in enumerate(rota.stand_in, 1):
            if one.until_time <= one.from_time:
                notes.fault(
                    f"{place}.stand_in#{number}.until", "a moment after `from`", one.until_time.isoformat()
                )


def check_telling(
    delivery: DeliveryTable, entries: Entries, channels: Mapping[str, str], notes: FaultList
) -> None:
    """Note heartbeats by no channel, alarms the catalogue does not have, and work at no known place."""
    check = _Check(entries, notes)
    for name in delivery.heartbeat_by:
        here = "delivery.heartbeat_by"
        known = check.names(here, name, "channel", "the id of a channel")
        if known and channels.get(name) not in ("webhook", "command", None):
            notes.fault(here, "channels of the kind webhook or command", shown(name))
    sound = len(channels) == len(entries.ids.get("channel", []))
    if delivery.collectors and sound and "mqtt" not in channels.values():
        notes.fault("delivery.collectors", "a channel of the kind mqtt to hear them by", "none")
    for alarm in entries.all(AlarmTable, "alarm"):
        place = entries.place(alarm)
        if alarm.id not in CATALOGUE:
            notes.fault(
                f"{place}.id",
                f"an alarm of the catalogue{nearest(alarm.id, list(CATALOGUE))}",
                shown(alarm.id),
            )
            continue
        limited = CATALOGUE[alarm.id].limit is not None
        for name in ("limit", "deadband"):
            value = getattr(alarm, name)
            if value is not None and not limited:
                notes.fault(f"{place}.{name}", "nothing: this alarm has no limit", shown(value))
    places = [name for t in ("site", "supply", "system", "unit") for name in entries.ids.get(t, [])]
    work: list[PlannedWorkTable | CalendarTable] = [
        *entries.all(PlannedWorkTable, "planned_work"),
        *entries.all(CalendarTable, "calendar"),
    ]
    for one in work:
        if one.about not in places:
            want = f"the id of a site, supply, system or unit{nearest(one.about, places)}"
            notes.fault(f"{entries.place(one)}.about", want, shown(one.about))


def _doubles(names: Sequence[str]) -> list[str]:
    return sorted({name for name in names if names.count(name) > 1})


def _listed(names: Iterable[str]) -> str:
    return " and ".join(repr(name) for name in sorted(names))


def check_set_words(words: SetWordsTable, listen: ListenTable, notes: FaultList) -> None:
    """Note that the site's words are listened to, and no token says which are the site's."""
    if words.host is not None and listen.site_secret is None:
        want = "the secret with the site's token, since [set_words] is listened to"
        notes.fault("listen.site_secret", want, "nothing")


def check_listen(listen: ListenTable, folder: Path, notes: FaultList) -> None:
    """Note what does not fit in how the page is served: whoever can reach it must be known, over a line nobody reads."""
    for key, other in (("certificate_file", "key_file"), ("key_file", "certificate_file")):
        named = getattr(listen, key)
        if named is None and getattr(listen, other) is not None:
            notes.fault(f"listen.{key}", f"this setting, since {other} is there", "nothing")
        elif named is not None and not (folder / named).is_file():
            notes.fault(f"listen.{key}", "a file that is there", shown(named))
    if listen.proxy_user_header is not None:
        if not listen.proxies:
            notes.fault("listen.proxies", "the addresses of the proxies, since they name a user", "none")
        if listen.proxy_secret is None and any(network.is_loopback for network in listen.networks()):
            want = "a secret, since every user of this machine can ask from the proxy's address"
            notes.fault("listen.proxy_secret", want, "nothing")
    if (listen.openid_issuer is None) != (listen.openid_client is None):
        missing = "openid_issuer" if listen.openid_issuer is None else "openid_client"
        notes.fault(f"listen.{missing}", "this setting, since the other of the provider is there", "nothing")
    if listen.openid_issuer is None and listen.openid_secret is not None:
        notes.fault("listen.openid_issuer", "the provider, since a secret for it is there", "nothing")
    if listen.certificate_file is None and not listen.proxies and not is_loopback(listen.host):
        notes.fault("listen.host", SAFE_HOST, shown(listen.host))


def is_loopback(host: str) -> bool:
    """Return whether a host to listen on is reached from this machine only."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


SAFE_HOST: Final = "a loopback address, or certificate_file and key_file, or proxies beside it"


def check_history(history: HistoryTable, notes: FaultList) -> None:
    """Note what the chosen store of the history cannot do without, and what is not its affair."""
    if history.store == "influxdb":
        for name in ("url", "database"):
            if getattr(history, name) is None:
                notes.fault(f"history.{name}", "this setting, since store = 'influxdb'", "nothing")
        if "keep_days" in history.model_fields_set:
            notes.fault(
                "history.keep_days",
                "no such line, since the InfluxDB server's own retention policy decides",
                str(history.keep_days),
            )
