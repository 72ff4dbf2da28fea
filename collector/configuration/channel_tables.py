"""Channels in the estate file: brokers, mail, web addresses and programs of the site's own."""

from __future__ import annotations

from typing import Annotated, Final, Literal

from pydantic import Field, StringConstraints

from collector.configuration.plant.values import Id, PlantTable, Positive, Text, Whole, Yes
from collector.configuration.settings_tables import Port, Url

Oid = Annotated[
    str, StringConstraints(pattern=r"^1\.3\.6\.1\.4\.1(\.(0|[1-9]\d{0,8})){1,20}$", max_length=200)
]
"""An arc of an enterprise (RFC 2578, section 4)."""


class MqttSettings(PlantTable):
    """A broker that state and alarms are published to."""

    id: Id = Field(description="short name")
    kind: Literal["mqtt"] = Field(description='"mqtt"')
    host: Text = Field(description="the broker's host")
    port: Port = Field(default=8883, description="its port; 1883 is usual without encryption")
    encrypted: Yes = Field(default=True, description="false only where the network itself is trusted")
    authority_file: Text | None = Field(
        default=None, description="certificates to trust, where not the computer's own"
    )
    secret: Id | None = Field(default=None, description="the secret with user and password")
    topics_below: Text = Field(default="ridethrough", description="first part of every topic")
    keep_alive_s: Whole = Field(
        default=30, ge=5, le=600, description="seconds of quiet before the broker is asked"
    )
    takes_answers: Yes = Field(
        default=False,
        description="whether people may answer by it, for sites into which there is no way: the token of a message, published as "
        "`answer`, says that its reader has the incident; the broker should let nobody publish there but who is to",
    )
    tells_centre: Yes = Field(
        default=False,
        description="whether a centre of several sites is told by it (`ridethrough centre`): plant, systems, banks, alarms, and the "
        "journal until the centre has it",
    )
    single_values: Yes = Field(
        default=False,
        description="whether each figure of a unit and a system is published by itself too, below `value/`",
    )


class MailSettings(PlantTable):
    """A mail server."""

    id: Id = Field(description="short name")
    kind: Literal["mail"] = Field(description='"mail"')
    host: Text = Field(description="the server's host")
    port: Port = Field(default=587, description="its port")
    encryption: Literal["starttls", "tls", "none"] = Field(
        default="starttls", description="how the way to the server is protected"
    )
    authority_file: Text | None = Field(
        default=None, description="certificates to trust, where not the computer's own"
    )
    secret: Id | None = Field(default=None, description="the secret with user and password")
    sender: Text = Field(description="the address messages come from")
    replies: Text | None = Field(
        default=None,
        description="a Maildir on this machine into which the mail server delivers what comes for `sender`: whoever replies "
        "to a message, quoting what stands at its end, has its incident; for sites into which nobody has a way; the service must be "
        "allowed to write there, as it is below its data folder",
    )


class WebhookSettings(PlantTable):
    """A web address that each message is posted to, signed."""

    id: Id = Field(description="short name")
    kind: Literal["webhook"] = Field(description='"webhook"')
    url: Url = Field(description="the address; https, or http on this machine only")
    authority_file: Text | None = Field(
        default=None, description="certificates to trust, where not the computer's own"
    )
    secret: Id | None = Field(default=None, description="the secret whose token signs each message")


class CommandSettings(PlantTable):
    """A program of the site's own that is run for each message, which it reads from standard input."""

    id: Id = Field(description="short name")
    kind: Literal["command"] = Field(description='"command"')
    command: tuple[Text, ...] = Field(min_length=1, description="program (with its full path) and arguments")
    deadline_s: Positive = Field(
        default=30.0, le=600, description="seconds until it is stopped and counts as failed"
    )


class SyslogSettings(PlantTable):
    """A log server that gets a line of each message, as RFC 5424 and RFC 5674 write it."""

    id: Id = Field(description="short name")
    kind: Literal["syslog"] = Field(description='"syslog"')
    host: Text = Field(description="the server's host")
    port: Port = Field(default=6514, description="its port for TCP; 6514 is that of TLS (RFC 5425)")
    encrypted: Yes = Field(default=True, description="false only where the network itself is trusted")
    authority_file: Text | None = Field(
        default=None, description="certificates to trust, where not the computer's own"
    )
    facility: Whole = Field(
        default=16,
        ge=0,
        le=23,
        description="the facility (RFC 5424); 16 to 23 are the site's own, local0 to local7",
    )


class SnmpSettings(PlantTable):
    """A station that gets each message as a notification of SNMP version 2c, which it acknowledges (an inform)."""

    id: Id = Field(description="short name")
    kind: Literal["snmp"] = Field(description='"snmp"')
    host: Text = Field(description="the station's host")
    port: Port = Field(default=162, description="its port for notifications")
    secret: Id = Field(
        description="the secret with the community; it goes over the network in clear, as version 2c has it"
    )
    oid_below: Oid = Field(
        default="1.3.6.1.4.1.32473.8470",
        description="what notifications and their objects stand below: the site's own arc, or this one, of the number kept for "
        "examples (RFC 5612)",
    )


Channel = Annotated[
    MqttSettings | MailSettings | WebhookSettings | CommandSettings | SyslogSettings | SnmpSettings,
    Field(discriminator="kind"),
]


CHANNELS: Final[tuple[type[PlantTable], ...]] = (
    MqttSettings,
    MailSettings,
    WebhookSettings,
    CommandSettings,
    SyslogSettings,
    SnmpSettings,
)
