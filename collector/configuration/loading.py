"""`load(path)`: the estate file as one checked value, or every fault in it at once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from hashlib import sha256
from pathlib import Path
from typing import Final, TypeVar, cast, get_args

from pydantic import BaseModel, TypeAdapter, ValidationError

from collector.cards.snmp.target import CardTarget
from collector.configuration import card_tables, channel_tables, plant
from collector.configuration import settings_tables as collecting
from collector.configuration.faults import (
    ConfigError,
    ConfigFault,
    FaultList,
    nearest,
    note_validation,
    shown,
)
from collector.configuration.impossible import check_bank, check_unit
from collector.configuration.people.hours_covered import check_hours, rota_calendars, rotas_by_id
from collector.configuration.people.people import People
from collector.configuration.people.rota_calendar import RotaCalendar
from collector.configuration.people.shared import SharedTable, with_shared
from collector.configuration.people.tables import PersonTable, RotaCalendarTable, RotaTable
from collector.configuration.plausibility import check_plausible
from collector.configuration.references import (
    Entries,
    check_history,
    check_listen,
    check_people,
    check_references,
    check_rotas,
    check_set_words,
    check_telling,
    check_watch,
)
from collector.configuration.secrets import (
    SECRET_OF_CHANNEL,
    AnySecret,
    CommunitySecret,
    Login,
    SecretsFile,
    SnmpUser,
    Token,
    pick,
    read_secrets,
)
from collector.configuration.toml_text import Lines, another_file, tables_of, text_of
from rules.alarms.catalogue import Override
from rules.plant.estate import Estate

LISTS: Final[Mapping[str, tuple[type[plant.PlantTable], ...]]] = {
    "site": (plant.SiteTable,),
    "supply": (plant.SupplyTable,),
    "generator": (plant.GeneratorTable,),
    "system": (plant.SystemTable,),
    "unit": (plant.UnitTable,),
    "card": (card_tables.CardTable,),
    "bank": (plant.BankTable,),
    "load_group": (plant.LoadGroupTable,),
    "channel": channel_tables.CHANNELS,
    "person": (PersonTable,),
    "rota": (RotaTable,),
    "rota_calendar": (RotaCalendarTable,),
    "alarm": (collecting.AlarmTable,),
    "planned_work": (collecting.PlannedWorkTable,),
    "calendar": (collecting.CalendarTable,),
}
"""Tables written [[name]], any number of times, and the kinds of each."""

SECTIONS: Final[Mapping[str, type[plant.PlantTable]]] = {
    "watch": plant.WatchTable,
    "secrets": collecting.SecretsTable,
    "polling": card_tables.PollingTable,
    "listen": collecting.ListenTable,
    "notifications": collecting.NotificationsTable,
    "set_words": collecting.SetWordsTable,
    "shared": SharedTable,
    "history": collecting.HistoryTable,
    "delivery": collecting.DeliveryTable,
    "page": collecting.PageTable,
    "budget": collecting.BudgetTable,
}
"""Tables written [name], once."""

NAMED: Final = 3
"""How many sites are named in the title of an estate that has none of its own."""
_NEEDED: Final = ("site", "supply", "system", "unit", "card")
_T = TypeVar("_T", bound=plant.PlantTable)


@dataclass(frozen=True, slots=True)
class CardAccess:
    """How the collector reads one card."""

    id: str
    target: CardTarget
    secret_name: str
    credentials: CommunitySecret | SnmpUser
    snmp_version: str
    polling: card_tables.PollingTable
    read_as: Mapping[str, float | None] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Configuration:
    """The whole estate file: the plant for the rules, and the rest for the collector."""

    path: Path
    estate: Estate
    cards: Mapping[str, CardAccess]
    secrets: Mapping[str, AnySecret]
    channels: Mapping[str, channel_tables.Channel]
    people: People
    polling: card_tables.PollingTable
    listen: collecting.ListenTable
    notifications: collecting.NotificationsTable
    history: collecting.HistoryTable
    delivery: collecting.DeliveryTable
    alarms: Mapping[str, Override]
    planned_work: tuple[collecting.PlannedWorkTable, ...]
    calendars: tuple[collecting.CalendarTable, ...]
    page: collecting.PageTable = field(default_factory=collecting.PageTable)
    budget: collecting.BudgetTable = field(default_factory=collecting.BudgetTable)
    set_words: collecting.SetWordsTable = field(default_factory=collecting.SetWordsTable)
    warnings: tuple[ConfigFault, ...] = ()
    version: str = ""
    """Short for the text of the file: another text has another one."""

    @property
    def title(self) -> str:
        """Return the owner's name for the whole estate: as the file says, else the names of its sites."""
        names = [site.name for site in self.estate.sites.values()]
        if self.page.title is not None:
            return self.page.title
        if len(names) <= NAMED:
            return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)
        return f"{names[0]} and {len(names) - 1} other sites"


def latest_today(now: datetime) -> date:
    """Return the latest day that it is anywhere: a file's days are those of its sites' own clocks."""
    return (now + timedelta(hours=14)).date()


def load(path: Path, today: date | None = None) -> Configuration:
    """Read and check an estate file and the secrets file it names.

    With `today`, days that are still to come are faults too, where only what has happened can stand. A service does
    without: after a loss of power the clock of its computer may be years behind.

    Raises ConfigError with every fault found. What merely ought to be answered is in `warnings`.
    """
    return load_text(text_of(path, "an estate file"), path, today)


def load_text(text: str, path: Path, today: date | None = None) -> Configuration:
    """Check the text of an estate file as if it stood at `path`; as `load` otherwise."""
    notes = FaultList(str(path))
    tables = tables_of(text, notes)
    other = another_file(tables)
    if other is not None:
        notes.fault("file", "an estate file, with [[site]], [[system]], [[unit]] and [[card]]", other)
        raise ConfigError(notes.faults)
    shared = with_shared(tables, path.parent, notes)
    sections, entries = check_tables(shared.tables, notes)
    for unit in entries.all(plant.UnitTable, "unit"):
        check_unit(unit, entries.place(unit), notes)
    for bank in entries.all(plant.BankTable, "bank"):
        check_bank(bank, entries.place(bank), notes)
    check_references(entries, notes)
    channels = {c.id: c for c in _channels(entries)}
    check_watch(_section(sections, "watch", plant.WatchTable), entries, notes)
    check_people(entries, {name: channel.kind for name, channel in channels.items()}, notes)
    delivery = _section(sections, "delivery", collecting.DeliveryTable)
    check_telling(delivery, entries, {name: channel.kind for name, channel in channels.items()}, notes)
    history = _section(sections, "history", collecting.HistoryTable)
    check_history(history, notes)
    listen = _section(sections, "listen", collecting.ListenTable)
    check_listen(listen, path.parent, notes)
    check_set_words(_section(sections, "set_words", collecting.SetWordsTable), listen, notes)
    check_plausible(entries, notes, today)
    check_rotas(entries, notes)
    calendars = rota_calendars(entries, path.parent, notes, today)
    check_hours(entries, notes, calendars, today)
    secrets, secret_notes, cards = _with_secrets(sections, entries, history, path, notes)
    shared.told_there(notes)
    notes.with_lines(Lines(text).of)
    faults = notes.faults + secret_notes.faults
    if faults:
        raise ConfigError(faults, notes.warnings + secret_notes.warnings)
    return Configuration(
        path=path,
        estate=_estate(entries, _section(sections, "watch", plant.WatchTable)),
        cards=cards,
        secrets=secrets.by_name,
        channels=channels,
        people=_people(entries, calendars),
        polling=_section(sections, "polling", card_tables.PollingTable),
        listen=listen,
        notifications=_section(sections, "notifications", collecting.NotificationsTable),
        history=history,
        delivery=delivery,
        alarms={e.id: e.value() for e in entries.all(collecting.AlarmTable, "alarm")},
        planned_work=tuple(entries.all(collecting.PlannedWorkTable, "planned_work")),
        calendars=tuple(entries.all(collecting.CalendarTable, "calendar")),
        page=_section(sections, "page", collecting.PageTable),
        budget=_section(sections, "budget", collecting.BudgetTable),
        set_words=_section(sections, "set_words", collecting.SetWordsTable),
        warnings=tuple(notes.warnings + secret_notes.warnings),
        version=sha256((text + shared.text).encode()).hexdigest()[:12],
    )


def check_tables(
    tables: Mapping[str, object], notes: FaultList
) -> tuple[Mapping[str, plant.PlantTable], Entries]:
    """Return the sections and entries that are sound in themselves; note what is wrong in the others."""
    return _sections(tables, notes), _entries(tables, notes)


def _sections(tables: Mapping[str, object], notes: FaultList) -> dict[str, plant.PlantTable]:
    found: dict[str, plant.PlantTable] = {}
    for name, value in tables.items():
        if name in LISTS:
            continue
        kind = SECTIONS.get(name)
        if kind is None:
            known = nearest(name, [*LISTS, *SECTIONS])
            notes.fault(name, f"a table that is known{known}", repr(name))
        elif not isinstance(value, dict):
            notes.fault(name, f"a table: [{name}]", shown(value))
        else:
            try:
                found[name] = kind.model_validate(value)
            except ValidationError as error:
                note_validation(notes, name, error, setting_names(kind))
    return found


def _section(sections: Mapping[str, plant.PlantTable], name: str, kind: type[_T]) -> _T:
    section = sections.get(name)
    return section if isinstance(section, kind) else kind()


def _entries(tables: Mapping[str, object], notes: FaultList) -> Entries:
    entries = Entries()
    for table in LISTS:
        rows = tables.get(table, [])
        if not isinstance(rows, list):
            notes.fault(table, f"a list of tables, each begun by [[{table}]]", shown(rows))
            entries.ids[table] = list(rows) if isinstance(rows, dict) else []
            continue
        if not rows and table in _NEEDED:
            notes.fault(table, f"one [[{table}]] or more", "none")
        for number, row in enumerate(rows, 1):
            place = _place(table, number, row)
            if not isinstance(row, dict):
                notes.fault(place, f"a table, begun by [[{table}]]", shown(row))
            else:
                _note_id(table, place, row, entries, notes)
                _entry(table, place, row, entries, notes)
    return entries


def _name(table: str, row: Mapping[str, object]) -> object:
    return row.get("name" if table == "person" else "id")


def _place(table: str, number: int, row: object) -> str:
    name = _name(table, row) if isinstance(row, dict) else None
    return f"{table}.{name}" if isinstance(name, str) and 0 < len(name) <= 40 else f"{table}#{number}"


def _note_id(table: str, place: str, row: Mapping[str, object], entries: Entries, notes: FaultList) -> None:
    name = _name(table, row)
    if isinstance(name, str):
        names = entries.ids.setdefault(table, [])
        if name in names:
            notes.fault(place, f"a name of its own for each {table}", f"{shown(name)} twice")
        names.append(name)


def _entry(table: str, place: str, row: Mapping[str, object], entries: Entries, notes: FaultList) -> None:
    kinds = LISTS[table]
    choice = len(kinds) > 1
    named = [kind for kind in kinds if choice and _kind_of(kind) == row.get("kind")]
    try:
        entry = _CHANNEL.validate_python(row) if choice else kinds[0].model_validate(row)
    except ValidationError as error:
        known = [setting for kind in named or kinds for setting in setting_names(kind)]
        note_validation(notes, place, error, known, skip=1 if named else 0)
        return
    entries.of.setdefault(table, []).append(entry)
    entries.places[id(entry)] = place


def _kind_of(kind: type[plant.PlantTable]) -> str:
    """Return the word that chooses a table among several."""
    return str(get_args(kind.model_fields["kind"].annotation)[0])


_CHANNEL: Final[TypeAdapter[channel_tables.Channel]] = TypeAdapter(channel_tables.Channel)


def _channels(entries: Entries) -> list[channel_tables.Channel]:
    return [cast("channel_tables.Channel", entry) for entry in entries.of.get("channel", [])]


def setting_names(kind: type[BaseModel]) -> list[str]:
    """Return the names a table knows, as they are written in the file, those of tables within it too."""
    names: list[str] = []
    for name, info in kind.model_fields.items():
        names.append(info.alias or name)
        for within in tables_within(info.annotation):
            names += setting_names(within)
    return names


def tables_within(annotation: object) -> list[type[plant.PlantTable]]:
    """Return the tables that a setting's type holds, as `tuple[FittedUnitTable, ...]` holds one."""
    if isinstance(annotation, type) and issubclass(annotation, plant.PlantTable):
        return [annotation]
    return [table for part in getattr(annotation, "__args__", ()) for table in tables_within(part)]


def _people(entries: Entries, calendars: tuple[RotaCalendar, ...]) -> People:
    """Return everybody who is told; the first site's time zone is that of whoever has none."""
    first, persons = entries.all(plant.SiteTable, "site")[0], tuple(entries.all(PersonTable, "person"))
    return People(persons, first.time_zone, rotas_by_id(entries, calendars))


def _with_secrets(
    sections: Mapping[str, plant.PlantTable],
    entries: Entries,
    history: collecting.HistoryTable,
    path: Path,
    notes: FaultList,
) -> tuple[SecretsFile, FaultList, dict[str, CardAccess]]:
    """Return the secrets, what is wrong in their file, and the cards with their credentials."""
    table = _section(sections, "secrets", collecting.SecretsTable)
    secrets, secret_notes = read_secrets(path.parent / table.file)
    cards: dict[str, CardAccess] = {}
    if not secrets.found:
        return secrets, secret_notes, cards
    general = _section(sections, "polling", card_tables.PollingTable)
    for card in entries.all(card_tables.CardTable, "card"):
        place = entries.place(card)
        found = pick(secrets, card.secret, f"{place}.secret", (CommunitySecret, SnmpUser), notes)
        if isinstance(found, CommunitySecret | SnmpUser):
            version = card.snmp_version or ("3" if isinstance(found, SnmpUser) else "2c")
            if (version == "3") != isinstance(found, SnmpUser):
                want = "'3' with a user, '1' or '2c' with a community"
                notes.fault(f"{place}.snmp_version", want, shown(version))
            cards[card.id] = CardAccess(
                card.id, card.target, card.secret, found, version, card.polling(general), card.overrides()
            )
    for channel in _channels(entries):
        name = getattr(channel, "secret", None)
        if name is not None:
            kinds = SECRET_OF_CHANNEL.get(channel.kind, (Login,))
            pick(secrets, name, f"{entries.place(channel)}.secret", kinds, notes)
    if history.secret is not None:
        pick(secrets, history.secret, "history.secret", (Token, Login), notes)
    listen = _section(sections, "listen", collecting.ListenTable)
    for key in ("site_secret", "proxy_secret", "openid_secret"):
        if getattr(listen, key) is not None:
            pick(secrets, getattr(listen, key), f"listen.{key}", (Token,), notes)
    words = _section(sections, "set_words", collecting.SetWordsTable)
    if words.secret is not None:
        pick(secrets, words.secret, "set_words.secret", (Login,), notes)
    return secrets, secret_notes, cards


def _estate(entries: Entries, watch: plant.WatchTable) -> Estate:
    return Estate(
        sites={e.id: e.value() for e in entries.all(plant.SiteTable, "site")},
        supplies={e.id: e.value() for e in entries.all(plant.SupplyTable, "supply")},
        generators={e.id: e.value() for e in entries.all(plant.GeneratorTable, "generator")},
        systems={e.id: e.value() for e in entries.all(plant.SystemTable, "system")},
        units={e.id: e.value() for e in entries.all(plant.UnitTable, "unit")},
        cards={e.id: e.value() for e in entries.all(card_tables.CardTable, "card")},
        banks={e.id: e.value() for e in entries.all(plant.BankTable, "bank")},
        load_groups={e.id: e.value() for e in entries.all(plant.LoadGroupTable, "load_group")},
        watch_power=watch.value(),
    )
