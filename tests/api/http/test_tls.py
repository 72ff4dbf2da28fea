"""Encrypted connections: greeted in time or not at all, a renewed certificate taken, a broken one refused and survived."""

from __future__ import annotations

import asyncio
import socket
import ssl
import warnings
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from api.http import tls
from api.http.doors import RefusedRequest
from api.http.tls import Certificate, CertificateError, EncryptedListener


def write_certificate(folder: Path, name: str = "ups.example") -> tuple[Path, Path]:
    """Write a certificate of our own making for a name, and its key; return both files."""
    key = ec.generate_private_key(ec.SECP256R1())
    who = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
    now = datetime.now(UTC)
    made = (
        x509.CertificateBuilder()
        .subject_name(who)
        .issuer_name(who)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=1))
        .not_valid_after(now + timedelta(days=1))
        .add_extension(x509.SubjectAlternativeName([x509.DNSName(name)]), critical=False)
        .sign(key, hashes.SHA256())
    )
    chain, secret = folder / "chain.pem", folder / "key.pem"
    chain.write_bytes(made.public_bytes(serialization.Encoding.PEM))
    plain = serialization.NoEncryption()
    secret.write_bytes(
        key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, plain)
    )
    return chain, secret


class Greeting(asyncio.Protocol):
    """Says hello to whoever is let in."""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        transport.write(b"hello")
        transport.close()


@asynccontextmanager
async def listener(certificate: Certificate) -> AsyncIterator[tuple[int, RefusedRequest]]:
    bound = socket.create_server(("127.0.0.1", 0))
    refused = RefusedRequest()
    made = EncryptedListener(bound, certificate.context, Greeting, refused)
    try:
        yield bound.getsockname()[1], refused
    finally:
        made.close()
        await made.wait_closed()
        bound.close()


async def served_name(port: int) -> str:
    """Return the name in the certificate that is served, after its greeting was heard."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
    reader, writer = await asyncio.open_connection("127.0.0.1", port, ssl=context)
    assert await reader.read(5) == b"hello"
    shown = writer.get_extra_info("ssl_object").getpeercert(binary_form=True)
    writer.close()
    names = x509.load_der_x509_certificate(shown).subject.get_attributes_for_oid(NameOID.COMMON_NAME)
    return str(names[0].value)


async def test_a_renewed_certificate_is_served_from_the_next_connection_on(tmp_path: Path) -> None:
    certificate = Certificate(*write_certificate(tmp_path))
    async with listener(certificate) as (port, _):
        assert await served_name(port) == "ups.example"
        assert not certificate.renewed()
        write_certificate(tmp_path, "renewed.example")
        assert certificate.renewed()
        assert await served_name(port) == "renewed.example"


async def test_a_renewal_gone_wrong_leaves_what_was_served_before(tmp_path: Path) -> None:
    chain, key = write_certificate(tmp_path)
    certificate = Certificate(chain, key)
    other = tmp_path / "other"
    other.mkdir()
    _, wrong_key = write_certificate(other, "other.example")
    async with listener(certificate) as (port, _):
        key.write_bytes(wrong_key.read_bytes())
        assert not certificate.renewed()
        assert await served_name(port) == "ups.example"
        chain.unlink()
        assert not certificate.renewed()
        assert await served_name(port) == "ups.example"


def test_files_that_cannot_be_served_with_are_refused_at_the_start(tmp_path: Path) -> None:
    chain, key = write_certificate(tmp_path)
    with pytest.raises(CertificateError, match="cannot be served with"):
        Certificate(chain, chain)
    with pytest.raises(CertificateError, match="cannot be served with"):
        Certificate(chain, tmp_path / "none.pem")
    loaded = serialization.load_pem_private_key(key.read_bytes(), None)
    locked = serialization.BestAvailableEncryption(b"a password")
    key.write_bytes(
        loaded.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, locked)
    )
    with pytest.raises(CertificateError, match="without"):
        Certificate(chain, key)


async def test_whoever_says_nothing_makes_room_and_is_let_go(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tls, "MOST_GREETED_FROM_ONE", 4)
    async with listener(Certificate(*write_certificate(tmp_path))) as (port, refused):
        silent = [await asyncio.open_connection("127.0.0.1", port) for _ in range(12)]
        assert await asyncio.wait_for(served_name(port), 5.0) == "ups.example"
        assert refused.counted["connections given up while they were being encrypted"] == 9
        gone = [await asyncio.wait_for(reader.read(1), 5.0) for reader, _ in silent[:8]]
        assert gone == [b""] * 8
        for _, writer in silent:
            writer.close()


async def test_what_is_not_encrypted_is_let_go(tmp_path: Path) -> None:
    async with listener(Certificate(*write_certificate(tmp_path))) as (port, refused):
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(b"GET / HTTP/1.1\r\nHost: x\r\n\r\n")
        assert b"HTTP" not in await asyncio.wait_for(reader.read(100), 5.0)
        writer.close()
        assert refused.counted["connections that were not encrypted in time, or not at all"] == 1


async def test_no_older_protocol_is_spoken(tmp_path: Path) -> None:
    async with listener(Certificate(*write_certificate(tmp_path))) as (port, _):
        for version, welcome in ((ssl.TLSVersion.TLSv1_1, False), (ssl.TLSVersion.TLSv1_2, True)):
            context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
            context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
            context.set_ciphers("ALL:@SECLEVEL=0")
            with warnings.catch_warnings():
                warnings.simplefilter("ignore", DeprecationWarning)  # that it is old is the point
                context.minimum_version = context.maximum_version = version
            try:
                reader, writer = await asyncio.open_connection("127.0.0.1", port, ssl=context)
            except (ssl.SSLError, ConnectionError):
                assert not welcome, version
                continue
            assert welcome, version
            assert await reader.read(5) == b"hello"
            writer.close()
