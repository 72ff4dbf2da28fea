"""Channels in the estate file: brokers, mail, web addresses and programs of the site's own."""

from __future__ import annotations

from typing import Annotated, Final, Literal

from pydantic import Field

from collector.configuration.plant_tables import Id, PlantTable, Positive, Text, Whole, Yes
from collector.configuration.settings_tables import Port, Url


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


Channel = Annotated[
    MqttSettings | MailSettings | WebhookSettings | CommandSettings | SyslogSettings,
    Field(discriminator="kind"),
]


CHANNELS: Final[tuple[type[PlantTable], ...]] = (
    MqttSettings,
    MailSettings,
    WebhookSettings,
    CommandSettings,
    SyslogSettings,
)
