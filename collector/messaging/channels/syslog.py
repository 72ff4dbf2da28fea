"""Syslog: one line for each notice to the site's log server, as RFC 5424 writes it and RFC 5674 writes an alarm in it.

Over TCP, each message behind its length (RFC 6587 section 3.4.1), by TLS where that is not switched off (RFC 5425).
Syslog has no answer: a message counts as taken once the connection took it and nothing came back that says otherwise. A
connection is made for each message, so that what a server no longer reads is not written into the void of an old one.
"""

from __future__ import annotations

import asyncio
import socket
import ssl
from contextlib import suppress
from datetime import datetime
from typing import Final

from collector.configuration.channel_tables import SyslogSettings as Settings
from collector.messaging.channels.channel import ChannelDown, Trust, why
from collector.messaging.delivery.letter import Letter
from collector.storage.ledger.records import Outgoing
from rules.alarms.incidents.incident import Notice, NoticeKind
from rules.values.severity import Severity

ANSWER_WITHIN_S: Final = 15.0
LINGER_S: Final = 1.0
APP: Final = "ridethrough"
BOM: Final = "\ufeff"
LONGEST_NAME: Final = 255
SYSLOG_SEVERITY: Final = {
    Severity.CRITICAL: 1,
    Severity.MAJOR: 2,
    Severity.MINOR: 3,
    Severity.WARNING: 4,
}
"""The severity of a syslog message by that of its alarm: RFC 5674, table 3.1 (alert, critical, error, warning)."""
CLEARED: Final = 5
"""The same of an alarm that is over: notice."""


class SyslogChannel:
    """One log server."""

    batch = 1

    def __init__(self, settings: Settings) -> None:
        self.id = settings.id
        self._settings = settings
        self._trust = Trust(settings.authority_file)
        self._host = socket.gethostname()

    async def run(self) -> None:
        """Hold nothing open."""

    async def send(self, message: Outgoing) -> str:
        """Hand one message to the server; there is no answer to return but that it was taken over."""
        line = line_of(Letter.of(message.body).notice, self._host, facility=self._settings.facility).encode()
        try:
            async with asyncio.timeout(ANSWER_WITHIN_S):
                await self._write(b"%d %b" % (len(line), line))
        except TimeoutError as error:
            raise ChannelDown(f"the server did not take it within {ANSWER_WITHIN_S:g} s") from error
        except (OSError, ssl.SSLError) as error:
            raise ChannelDown(why(error)) from error
        return f"handed over, {len(line)} octets"

    async def _write(self, frame: bytes) -> None:
        settings = self._settings
        reader, writer = await asyncio.open_connection(
            settings.host,
            settings.port,
            ssl=self._trust.context() if settings.encrypted else None,
            server_hostname=settings.host if settings.encrypted else None,
        )
        try:
            writer.write(frame)
            await writer.drain()
            # our side is ended, and the server ends its own in turn once it has read all; one that went away resets the
            # connection, which raises
            if writer.can_write_eof():
                writer.write_eof()
                await reader.read(1)
            else:
                # TLS ends both sides at once, and a server may lose what it has not read by then: it is given a moment.
                # One that ends the line itself in that moment took nothing for sure
                with suppress(TimeoutError):
                    async with asyncio.timeout(LINGER_S):
                        await reader.read(1)
                        raise ConnectionResetError("the server ended the connection")
                writer.close()
                with suppress(ssl.SSLError):
                    await writer.wait_closed()
        finally:
            writer.close()
            with suppress(OSError, ssl.SSLError):
                await writer.wait_closed()


def line_of(notice: Notice, host: str, *, facility: int) -> str:
    """Return a notice as a syslog message: header, the alarm as structured data, what is so and what to do, in UTF-8."""
    over = notice.kind is NoticeKind.CLOSED
    severity = CLEARED if over else SYSLOG_SEVERITY[notice.severity]
    head = f"<{8 * facility + severity}>1 {_moment(notice.at)} {_name(host)} {APP} - {notice.kind.value}"
    alarm = {
        "resource": notice.place or notice.about,
        "probableCause": "powerProblem" if notice.parts or notice.mains_lost else "other",
        "perceivedSeverity": "cleared" if over else notice.severity.value,
        "eventType": "environmentalAlarm",
    }
    said = " ".join(f'{name}="{_value(value)}"' for name, value in alarm.items())
    origin = f'[origin software="{APP}"]'
    # in full and with its accents: the short form is plain ASCII, for telephones
    asked = f" Do: {notice.do}" if notice.do and not over else ""
    text = f"{notice.what}{asked} ({notice.incident})"
    return f"{head} [alarm {said}]{origin} {BOM}{_one_line(text)}"


def _moment(at: datetime) -> str:
    return at.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _name(text: str) -> str:
    """Return a name as a header may have it: printable ASCII without a space."""
    kept = "".join(c for c in text if 33 <= ord(c) <= 126)
    return kept[:LONGEST_NAME] or "-"


def _value(text: str) -> str:
    """Return a value as structured data may have it (RFC 5424 section 6.3.3)."""
    return _one_line(text).replace("\\", "\\\\").replace('"', '\\"').replace("]", "\\]")


def _one_line(text: str) -> str:
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())
