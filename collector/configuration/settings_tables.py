"""The tables of the estate file that stand there once: listening, keeping, delivery, page; and alarms and planned work.

These stay in the collector: addresses, names of secrets and people are no business of the rules.
"""

from __future__ import annotations

import ipaddress
import re
from datetime import datetime, time, timedelta
from typing import Annotated, Final, Literal
from urllib.parse import urlsplit

from pydantic import AfterValidator, Field
from pydantic_core import PydanticCustomError

from collector.configuration.plant.values import (
    Day,
    Id,
    NotNegative,
    Number,
    PlantTable,
    Positive,
    Text,
    Whole,
    Yes,
)
from rules.alarms.catalogue import Override
from rules.planning.programme.programme import Terms
from rules.values.severity import Severity

Port = Annotated[int, Field(strict=True, ge=1, le=65535)]


Clock = Annotated[time, Field(strict=True)]


def _network(text: str) -> str:
    try:
        ipaddress.ip_network(text)
    except ValueError:
        raise PydanticCustomError(
            "want",
            "{want}",
            {"want": "an address or a network, such as 192.0.2.7 or 192.0.2.0/24", "got": text[:60]},
        ) from None
    return text


def _header_name(text: str) -> str:
    if not re.fullmatch(r"[A-Za-z][A-Za-z0-9-]{1,60}", text) or text.lower() in HEADERS_OF_HTTP:
        want = "a header of the proxy's own, letters, digits and hyphens, such as Remote-User"
        raise PydanticCustomError("want", "{want}", {"want": want, "got": text[:60]})
    return text.lower()


HEADERS_OF_HTTP: Final = frozenset(
    {
        "host",
        "origin",
        "cookie",
        "authorization",
        "content-type",
        "content-length",
        "accept",
        "referer",
        "connection",
    }
)
"""Headers that every client sends itself: none of them can say whom a proxy knows."""


Network = Annotated[str, AfterValidator(_network)]


HeaderName = Annotated[str, AfterValidator(_header_name)]


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def _url(text: str) -> str:
    hidden = "an address that is not shown: it may hold a secret"
    try:
        parts = urlsplit(text)
        port_is_right = parts.port is None or parts.port > 0
    except ValueError:
        raise PydanticCustomError(
            "want", "{want}", {"want": "an address, as https://HOST/PATH", "got": hidden}
        ) from None
    if parts.username or parts.password:
        raise PydanticCustomError(
            "want", "{want}", {"want": "an address without user or password (name a secret)", "got": hidden}
        )
    plain_is_safe = parts.scheme == "http" and _is_loopback(parts.hostname or "")
    if not parts.hostname or not port_is_right or not (parts.scheme == "https" or plain_is_safe):
        raise PydanticCustomError(
            "want", "{want}", {"want": "https://HOST/PATH (http:// on this machine only)", "got": hidden}
        )
    return text


Url = Annotated[str, Field(strict=True, max_length=2000), AfterValidator(_url)]


class SecretsTable(PlantTable):
    """Where communities, keys and passwords are kept."""

    file: Text = Field(
        default="secrets.toml",
        description="the secrets file, beside the estate file or with its full path; mode 0600",
    )


class ListenTable(PlantTable):
    """Where the page and the HTTP interface are served."""

    host: Text = Field(
        default="127.0.0.1",
        description="address to listen at; any but loopback wants users or tokens, and a certificate or proxies",
    )
    port: Port = Field(default=8470, description="TCP port")
    names: tuple[Text, ...] = Field(
        default=(), description="further host names under which people reach it, as a proxy may give them"
    )
    certificate_file: Text | None = Field(
        default=None,
        description="certificate chain (PEM) to serve by TLS with; a renewed one is taken within a minute",
    )
    key_file: Text | None = Field(default=None, description="the certificate's key (PEM)")
    proxies: tuple[Network, ...] = Field(
        default=(),
        description="addresses or networks of proxies; what they say of whom they ask for is taken from them alone",
    )
    proxy_user_header: HeaderName | None = Field(
        default=None,
        description="the header in which the proxies name the user they know, such as Remote-User",
    )
    proxy_secret: Id | None = Field(
        default=None,
        description="the secret whose token the proxies show in X-Proxy-Secret; needed where one is on this machine",
    )
    openid_issuer: Url | None = Field(
        default=None,
        description="the OpenID provider at which people sign in, as it names itself; wants the extra `openid`",
    )
    openid_client: Text | None = Field(
        default=None, description="the name under which the provider knows this service"
    )
    openid_secret: Id | None = Field(
        default=None,
        description="the secret whose token proves that name to the provider, where it wants one",
    )
    openid_claim: Text = Field(
        default="preferred_username",
        description="what of an identity is the user's name here; one that people cannot change at the provider; "
        "`email` counts only where it is verified",
    )
    session_idle_minutes: Whole = Field(
        default=30,
        ge=5,
        le=720,
        description="minutes without a request after which a session that may act is over",
    )
    session_hours: Whole = Field(
        default=12, ge=1, le=720, description="hours after which every session is over"
    )
    site_secret: Id | None = Field(
        default=None, description="the secret whose token the site's own systems show to tell of a generator"
    )

    def networks(self) -> tuple[ipaddress.IPv4Network | ipaddress.IPv6Network, ...]:
        """Return where the proxies ask from."""
        return tuple(ipaddress.ip_network(text) for text in self.proxies)


class SetWordsTable(PlantTable):
    """The broker by which the site's own systems tell of a generator; HTTP takes the same word without one."""

    host: Text | None = Field(default=None, description="the broker's host; left out, none is listened to")
    port: Port = Field(default=8883, description="its port; 1883 is usual without encryption")
    encrypted: Yes = Field(default=True, description="false only where the network itself is trusted")
    authority_file: Text | None = Field(
        default=None, description="certificates to trust, where not the computer's own"
    )
    secret: Id | None = Field(default=None, description="the secret with user and password")
    topics_below: Text = Field(
        default="ridethrough",
        description="first part of the topic: `TOPICS_BELOW/COLLECTOR/set/ID`, ID of the generator; the payload is "
        "JSON with token (of `[listen] site_secret`), at (RFC 3339), running, carries, and load_w where it is known",
    )
    keep_alive_s: Whole = Field(
        default=30, ge=5, le=600, description="seconds of quiet before the broker is asked"
    )
    stale_after_s: Number = Field(
        default=60.0, ge=5, le=3600, description="seconds after which what the site said is no news any more"
    )


class NotificationsTable(PlantTable):
    """Where cards may send their notifications. They are hints: what counts is the next poll."""

    host: Text = Field(default="127.0.0.1", description="address to listen at")
    port: Port | None = Field(default=None, description="UDP port; left out, none are listened for")


class HistoryTable(PlantTable):
    """Where readings are kept. The ledger is always a local file.

    An InfluxDB server is for estates that outgrow one box. It needs the write path of version 2 (`/api/v2/write`) and
    InfluxQL (`/query`), which 1.8, 2.x and 3.x are said to have. What was run is 1.6, with a mapping of the write path
    before it; 1.8, 2.x and 3.x were not run. On 2.x reading wants a mapping at the server: of a database of the bucket's
    name, with a default retention policy, to the bucket.

    What is read waits in the data folder (`spool.sqlite`) until the server has taken it, and while the server is away:
    about 150 bytes a reading, bounded by the disk alone. The alarm store_failing says how much waits and since when,
    disk_filling when it gets tight. What is shown of the past comes from the server and lacks what waits.

    What the server refuses for good stays in that file, raises the alarm, and is offered again at each start and once a
    day; `ridethrough export FILE --form refused` takes it out. Readings older than the server's retention policy keeps
    are let go.

    How long readings are kept, around power events too, and copies of them are the server's own affair: a capacity's
    trend wants two years at least. `backup` and `verify` concern the local files (the ledger, and what waits or was
    refused), `export` the local history and ledger; `plan` and `report` read at the server. Of two readings of one unit
    and moment the server keeps the later values, the local file the first.
    """

    store: Literal["sqlite", "influxdb"] = Field(
        default="sqlite", description="a local file, or an InfluxDB server (see above)"
    )
    url: Url | None = Field(default=None, description="the InfluxDB server's address")
    database: Text | None = Field(default=None, description="its database on 1.8, its bucket on 2.x and 3.x")
    organisation: Text | None = Field(default=None, description="its organisation, where the server has them")
    secret: Id | None = Field(default=None, description="the secret with its token, or user and password")
    keep_days: Whole = Field(
        default=731,
        ge=31,
        le=36600,
        description="days that readings are kept in full at least, in the local file; of what is older summaries by the "
        "minute stay. For ever in full: a discharge of a bank, its recharge and 15 minutes around, of the units it feeds; "
        "an outage, and 5 minutes around it and each dip, bypass, overload and loss of output, of all units of the system",
    )
    keep_messages_days: Whole = Field(
        default=1096,
        ge=31,
        le=36600,
        description="days what a sent message said is kept; that it was sent, to whom and with what result, for ever",
    )


class PageTable(PlantTable):
    """What the page says of the whole."""

    title: Text | None = Field(
        default=None,
        description="the owner's name for all of it, at the head of every sheet; the sites' names where left out",
    )


class BudgetTable(PlantTable):
    """How the site reckons: its budget year, its prices, and what one visit may gather. A query may say otherwise."""

    first_month: Annotated[int, Field(strict=True, ge=1, le=12)] = Field(
        default=1, description="first month of the budget year"
    )
    price_per_block: NotNegative | None = Field(
        default=None, description="price of one battery block, put in, in any money"
    )
    price_per_kva: NotNegative | None = Field(
        default=None, description="price of a unit by its rated kVA, put in, in the same money"
    )
    energy_price_per_kwh: NotNegative | None = Field(
        default=None, description="price of a kWh, for what standing losses cost"
    )
    unit_lead_days: Annotated[int, Field(strict=True, ge=0, le=730)] = Field(
        default=84, description="days from order to a new unit in place"
    )
    together_days: Annotated[int, Field(strict=True, ge=0, le=366)] = Field(
        default=60, description="jobs at one site no further apart than this are put into one visit"
    )

    def value(self) -> Terms:
        """Return the rules' value."""
        return Terms(
            budget_month=self.first_month,
            price_per_block=self.price_per_block,
            unit_price_per_kva=self.price_per_kva,
            unit_lead_days=self.unit_lead_days,
            together=timedelta(days=self.together_days),
        )


class DeliveryTable(PlantTable):
    """How messages go out."""

    collector: Id | None = Field(
        default=None,
        description="this collector's name in topics and events; the first site's id where left out",
    )
    heartbeat_every_s: Number = Field(
        default=60.0, ge=5, le=86400, description="seconds between signs of life, by brokers and heartbeat_by"
    )
    heartbeat_by: tuple[Id, ...] = Field(
        default=(), description="channels besides brokers (webhook or command) that get the sign of life"
    )
    collectors: tuple[Id, ...] = Field(
        default=(),
        description="other sites' collectors whose sign of life is listened for at the brokers; one that is overdue is an alarm",
    )
    most_messages: Whole = Field(
        default=10,
        ge=2,
        le=1000,
        description="messages to one person in `within_s`, and as many about planning; more are gathered into one; "
        "an outage that begins and what becomes critical count in neither and never wait",
    )
    within_s: Number = Field(default=600.0, ge=10, le=86400, description="seconds for `most_messages`")
    answers_at: Url | None = Field(
        default=None,
        description="the address under which people reach the page from where they are, such as https://ups.example.org; with "
        "it each message to a person has a link of their own to say that they have it; its host stands in `[listen] names`",
    )


class AlarmTable(PlantTable):
    """What this site sets differently for one alarm of the catalogue."""

    id: Text = Field(description="the alarm's name in the catalogue")
    on_delay_s: Number | None = Field(
        default=None, ge=0, le=604800, description="seconds the condition must last before it is an alarm"
    )
    off_delay_s: Number | None = Field(
        default=None, ge=0, le=604800, description="seconds it must be gone before the alarm returns"
    )
    severity: Literal["critical", "major", "minor", "warning"] | None = Field(
        default=None, description="its severity"
    )
    limit: Number | None = Field(default=None, description="its limit, in the unit the catalogue gives")
    deadband: Number | None = Field(default=None, ge=0, description="how far back it must go to return")
    tell_again_s: Number | None = Field(
        default=None, ge=3600, le=31536000, description="seconds until a standing one is told again"
    )
    answer_within_s: Number | None = Field(
        default=None,
        ge=0,
        le=604800,
        description="seconds until one that nobody acknowledges is told again, 0 for never; as the site says where left out",
    )

    def value(self) -> Override:
        """Return the rules' value."""
        return Override(
            on_delay_s=self.on_delay_s,
            off_delay_s=self.off_delay_s,
            severity=None if self.severity is None else Severity(self.severity),
            limit=self.limit,
            deadband=self.deadband,
            realarm_s=self.tell_again_s,
            answer_s=self.answer_within_s,
        )


Explains = Literal["mains_off", "isolation", "bank_test", "network_work", "service_visit"]


class PlannedWorkTable(PlantTable):
    """Planned work, once or again and again: what it explains is listed and not told."""

    id: Id = Field(description="short name")
    what: Text = Field(default="planned work", description="what is done, in words")
    about: Id = Field(description="the site, supply, system or unit it is done at")
    explains: Explains = Field(description="what kind of work it is, and so which alarms it explains")
    begins: datetime = Field(
        strict=True, description="when it first begins; by the site's clock where no zone is given"
    )
    lasts_s: Positive = Field(le=604800, description="seconds it lasts each time")
    every_days: Whole | None = Field(
        default=None, ge=1, le=3660, description="days from one time to the next"
    )
    until: Day | None = Field(default=None, description="the last day it may begin on")


class CalendarTable(PlantTable):
    """A calendar file (iCalendar) whose every event is planned work."""

    id: Id = Field(description="short name")
    file: Text = Field(description="the file, beside the estate file or with its full path")
    about: Id = Field(description="the site, supply, system or unit the work is done at")
    explains: Explains = Field(description="what kind of work it is, and so which alarms it explains")
