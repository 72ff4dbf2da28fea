"""The file of a centre: which sites it shows, by which brokers they are heard, where its page is served. It declares no plant."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path
from ssl import create_default_context
from typing import Final, TypeVar

from pydantic import Field, ValidationError

from collector.configuration import settings_tables as settings
from collector.configuration.card_tables import PollingTable
from collector.configuration.faults import ConfigError, FaultList, nearest, note_validation, shown
from collector.configuration.loading import Configuration
from collector.configuration.people.people import People
from collector.configuration.plant.values import Id, PlantTable, Text, Whole, Yes
from collector.configuration.references import check_listen
from collector.configuration.secrets import AnySecret, Login, Token, pick, read_secrets
from collector.configuration.settings_tables import Port, Url
from collector.configuration.toml_text import Lines, tables_of, text_of
from rules.plant.estate import Estate


class CentreSiteTable(PlantTable):
    """A site that is shown."""

    id: Id = Field(
        description="the name of the site's collector, as `[delivery] collector` of its estate file has it"
    )
    address: Url = Field(
        description="where the site's own page and interface are: https, or http on this machine alone"
    )
    secret: Id | None = Field(
        default=None,
        description="the secret with the token by which acts are handed on to the site, made there by `ridethrough token make "
        "centre --role pass_on`; without it the site's acts are refused here, with the way to its page",
    )
    authority_file: Text | None = Field(
        default=None, description="certificates to trust at that address, where not the computer's own"
    )
    acts_wait_s: Whole = Field(
        default=120,
        ge=10,
        le=1800,
        description="how long an act is tried while the site does not answer, in s; then it is told as not delivered",
    )


class CentreBrokerTable(PlantTable):
    """A broker by which sites are heard."""

    host: Text = Field(description="the broker's host")
    port: Port = Field(default=8883, description="its port; 1883 is usual without encryption")
    encrypted: Yes = Field(default=True, description="false only where the network itself is trusted")
    authority_file: Text | None = Field(
        default=None, description="certificates to trust, where not the computer's own"
    )
    secret: Id | None = Field(default=None, description="the secret with user and password")
    topics_below: Text = Field(
        default="ridethrough", description="first part of every topic, as the sites have it"
    )
    keep_alive_s: Whole = Field(
        default=30, ge=5, le=600, description="seconds of quiet before the broker is asked"
    )


S = TypeVar("S", bound=PlantTable)
LISTS: Final[Mapping[str, type[PlantTable]]] = {"site": CentreSiteTable, "broker": CentreBrokerTable}
SECTIONS: Final[Mapping[str, type[PlantTable]]] = {
    "page": settings.PageTable,
    "listen": settings.ListenTable,
    "secrets": settings.SecretsTable,
}


@dataclass(frozen=True, slots=True)
class CentreFile:
    """What the file of a centre says."""

    path: Path
    sites: tuple[CentreSiteTable, ...]
    brokers: tuple[CentreBrokerTable, ...]
    page: settings.PageTable
    listen: settings.ListenTable
    secrets: Mapping[str, AnySecret] = field(default_factory=dict)
    version: str = ""

    def login(self, broker: CentreBrokerTable) -> Login | None:
        """Return the user and password for a broker, None where it wants none."""
        found = self.secrets.get(broker.secret or "")
        return found if isinstance(found, Login) else None

    def token(self, site: CentreSiteTable) -> Token | None:
        """Return the token by which acts are handed on to a site, None where they are not."""
        found = self.secrets.get(site.secret or "")
        return found if isinstance(found, Token) else None

    def configuration(self, estate: Estate) -> Configuration:
        """Return what the read model is to know beside an estate: nobody is told here, no card is read, nothing is kept elsewhere."""
        zone = next((site.time_zone for site in estate.sites.values()), "UTC")
        return Configuration(
            path=self.path, estate=estate, cards={}, secrets=self.secrets, channels={}, people=People((), zone),
            polling=PollingTable(), listen=self.listen, notifications=settings.NotificationsTable(),
            history=settings.HistoryTable(), delivery=settings.DeliveryTable(), alarms={}, planned_work=(), calendars=(),
            page=self.page, version=self.version,
        )  # fmt: skip


def load_centre(path: Path) -> CentreFile:
    """Read and check the file of a centre and the secrets file it names. Raises ConfigError with every fault found."""
    text = text_of(path, "a centre's file")
    notes = FaultList(str(path))
    tables = tables_of(text, notes)
    for name in tables:
        if name not in {*LISTS, *SECTIONS}:
            notes.fault(
                name, f"a table that a centre's file has{nearest(name, [*LISTS, *SECTIONS])}", repr(name)
            )
    lists = {name: _list(name, kind, tables.get(name, []), notes) for name, kind in LISTS.items()}
    page = _section("page", settings.PageTable, tables, notes)
    listen = _section("listen", settings.ListenTable, tables, notes)
    secrets = _section("secrets", settings.SecretsTable, tables, notes)
    sites = tuple(one for one in lists["site"] if isinstance(one, CentreSiteTable))
    brokers = tuple(one for one in lists["broker"] if isinstance(one, CentreBrokerTable))
    for name in {one.id for one in sites if [other.id for other in sites].count(one.id) > 1}:
        notes.fault(f"site.{name}", "each site once", "it twice")
    check_listen(listen, path.parent, notes)
    found, secret_notes = read_secrets(path.parent / secrets.file)
    named: list[tuple[str, str | None, type[Login | Token]]] = [
        (f"broker#{n}.secret", one.secret, Login) for n, one in enumerate(brokers, 1)
    ]
    named += [(f"site#{n}.secret", one.secret, Token) for n, one in enumerate(sites, 1)]
    for n, one in enumerate(sites, 1):
        _check_trust(f"site#{n}", one, path.parent, notes)
    for key in ("proxy_secret", "openid_secret"):
        named.append((f"listen.{key}", getattr(listen, key), Token))
    wanted = [(place, name, kind) for place, name, kind in named if name is not None]
    for place, name, kind in wanted:
        pick(found, name, place, (kind,), notes)
    if not wanted:
        secret_notes = FaultList(str(path))  # a centre that needs no secret needs no file of them
    notes.with_lines(Lines(text).of)
    if faults := notes.faults + secret_notes.faults:
        raise ConfigError(faults)
    version = sha256(text.encode()).hexdigest()[:12]
    return CentreFile(path, sites, brokers, page, listen, found.by_name, version)


def _list(name: str, kind: type[PlantTable], rows: object, notes: FaultList) -> list[PlantTable]:
    if not isinstance(rows, list) or not rows:
        notes.fault(name, f"one [[{name}]] or more", shown(rows) if rows else "none")
        return []
    return [one for n, row in enumerate(rows, 1) if (one := _checked(f"{name}#{n}", kind, row, notes))]


def _check_trust(place: str, site: CentreSiteTable, folder: Path, notes: FaultList) -> None:
    """Note authorities that are of no use, or cannot be read."""
    if site.authority_file is None:
        return
    if not site.address.startswith("https://"):
        notes.fault(f"{place}.authority_file", "no such file for an address that is not https", "one")
        return
    try:
        create_default_context(cafile=folder / site.authority_file)
    except (OSError, ValueError) as error:
        notes.fault(f"{place}.authority_file", "a file of certificates in PEM that can be read", str(error))


def _section(name: str, kind: type[S], tables: Mapping[str, object], notes: FaultList) -> S:
    found = _checked(name, kind, tables.get(name, {}), notes)
    return found if isinstance(found, kind) else kind()


def _checked(place: str, kind: type[PlantTable], table: object, notes: FaultList) -> PlantTable | None:
    if not isinstance(table, dict):
        notes.fault(place, "a table", shown(table))
        return None
    try:
        return kind.model_validate(table)
    except ValidationError as error:
        note_validation(notes, place, error, [info.alias or name for name, info in kind.model_fields.items()])
        return None
