"""Real servers at the other end: a broker, a mail server, a web address; and what it takes to trust them."""

from __future__ import annotations

import asyncio
import base64
import datetime as dt
import email
import email.message
import email.policy
import getpass
import hashlib
import hmac
import ipaddress
import json
import socket
import ssl
import subprocess
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult, LoginPassword
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from tests.servers import need_program

USER, PASSWORD = "watch", "a long password"


@dataclass(frozen=True)
class Certificate:
    """A key, a certificate for this machine signed by itself, and their files."""

    certificate: Path
    key: Path


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def certificate(folder: Path) -> Certificate:
    """Make a certificate for 127.0.0.1 and localhost."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "ridethrough test")])
    now = dt.datetime.now(dt.UTC)
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - dt.timedelta(days=1))
        .not_valid_after(now + dt.timedelta(days=1))
        .add_extension(
            x509.SubjectAlternativeName(
                [x509.DNSName("localhost"), x509.IPAddress(ipaddress.ip_address("127.0.0.1"))]
            ),
            critical=False,
        )
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .sign(key, hashes.SHA256())
    )
    files = Certificate(folder / "server.crt", folder / "server.key")
    files.certificate.write_bytes(made.public_bytes(serialization.Encoding.PEM))
    files.key.write_bytes(
        key.private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
        )
    )
    return files


class Broker:
    """A real mosquitto with TLS, a user and a password; may be stopped and started again.

    `lasting`: it keeps on its disk what it holds for those who listen, and stops only once that is written.
    """

    def __init__(self, folder: Path, *, lasting: bool = False) -> None:
        self._lasting = lasting
        self.files = certificate(folder)
        self.port = free_port()
        passwords = folder / "passwords"
        passwords.write_text("")
        subprocess.run(
            [need_program("mosquitto_passwd"), "-b", str(passwords), USER, PASSWORD],
            check=True,
            capture_output=True,
        )
        self.settings = folder / "broker.conf"
        self.settings.write_text(
            f"user {getpass.getuser()}\nlistener {self.port} 127.0.0.1\nallow_anonymous false\npassword_file {passwords}\n"
            f"certfile {self.files.certificate}\nkeyfile {self.files.key}\nlog_type none\n"
            + (f"persistence true\npersistence_location {folder}/\nmax_queued_messages 0\n" * lasting)
        )
        self._program = need_program("mosquitto")
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        self._process = subprocess.Popen(
            [self._program, "-c", str(self.settings)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        for _ in range(200):
            try:
                socket.create_connection(("127.0.0.1", self.port), 1.0).close()
            except OSError:
                time.sleep(0.02)
            else:
                return
        raise AssertionError("the broker did not start")

    def stop(self) -> None:
        if self._process is not None:
            (self._process.terminate if self._lasting else self._process.kill)()
            self._process.wait()
            self._process = None

    def trusting(self) -> ssl.SSLContext:
        return ssl.create_default_context(cafile=str(self.files.certificate))


@dataclass
class MailSink:
    """A real SMTP server that keeps what it gets. `refuse`: addresses it does not take."""

    folder: Path
    refuse: tuple[str, ...] = ()
    mails: list[email.message.EmailMessage] = field(default_factory=list)
    port: int = 0

    def __post_init__(self) -> None:
        self.files = certificate(self.folder)
        self.port = free_port()
        self._controller: Controller | None = None

    async def handle_RCPT(  # noqa: N802 - the library's name
        self, server: Any, session: Any, envelope: Any, address: str, options: list[str]
    ) -> str:
        if address in self.refuse:
            return "550 no such mailbox"
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:  # noqa: N802
        mail = email.message_from_bytes(envelope.content, policy=email.policy.default)
        assert isinstance(mail, email.message.EmailMessage)
        self.mails.append(mail)
        return f"250 taken as {len(self.mails)}"

    def authenticate(self, server: Any, session: Any, envelope: Any, mechanism: str, data: Any) -> AuthResult:
        good = isinstance(data, LoginPassword) and (data.login, data.password) == (
            USER.encode(),
            PASSWORD.encode(),
        )
        return AuthResult(success=good, handled=False)

    def start(self) -> None:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(self.files.certificate, self.files.key)
        self._controller = Controller(
            self,
            hostname="127.0.0.1",
            port=self.port,
            tls_context=context,
            require_starttls=True,
            authenticator=self.authenticate,
            auth_required=True,
        )
        self._controller.start()

    def stop(self) -> None:
        if self._controller is not None:
            self._controller.stop()
            self._controller = None


def verified(headers: Mapping[str, str], body: bytes, secret: str) -> bool:
    """Verify a request as a receiver would, from the text of Standard Webhooks alone."""
    content = f"{headers['webhook-id']}.{headers['webhook-timestamp']}.".encode() + body
    key = base64.b64decode(secret.removeprefix("whsec_"))
    wanted = base64.b64encode(hmac.new(key, content, hashlib.sha256).digest()).decode()
    return any(hmac.compare_digest(part, f"v1,{wanted}") for part in headers["webhook-signature"].split())


@dataclass
class WebSink:
    """A real HTTP/1.1 server on loopback that keeps requests and answers with `status`.

    The answers to the next `lost_answers` requests get lost: the sender cannot know that it was heard.
    """

    status: int = 200
    lost_answers: int = 0
    requests: list[tuple[dict[str, str], bytes]] = field(default_factory=list)
    port: int = 0

    async def start(self) -> None:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", self.port)
        self.port = self._server.sockets[0].getsockname()[1]

    async def stop(self) -> None:
        self._server.close()
        await self._server.wait_closed()

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}/told"

    def events(self) -> list[dict[str, Any]]:
        return [json.loads(body) for _, body in self.requests]

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            head = (await reader.readuntil(b"\r\n\r\n")).decode().split("\r\n")
            headers = {
                name.lower(): value.strip()
                for line in head[1:]
                if ":" in line
                for name, value in [line.split(":", 1)]
            }
            body = await reader.readexactly(int(headers.get("content-length", "0")))
            self.requests.append((headers, body))
            if self.lost_answers:
                self.lost_answers -= 1
                return
            writer.write(
                f"HTTP/1.1 {self.status} Said\r\ncontent-length: 0\r\nconnection: close\r\n\r\n".encode()
            )
            await writer.drain()
        except (asyncio.IncompleteReadError, ConnectionError):
            pass
        finally:
            writer.close()
