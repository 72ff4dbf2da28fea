"""The doors of the running service, pushed at with raw sockets. Each trial prints what it saw (`pytest -s`)."""

from __future__ import annotations

import json
import select
import socket
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from typing import Any

import pytest

from api.http.doors import BODY_S, HEAD_S, LARGEST_BODY_BYTES, MOST_CONNECTIONS, PLACES
from tests.daemon import Daemon, daemon
from tests.trials.cost import resident_bytes
from tests.trials.plant import Shape, plant

pytestmark = pytest.mark.slow

MEGABYTE = 1024 * 1024
ACT = "/v1/alarms/none/acknowledge"


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Daemon]:
    folder = tmp_path_factory.mktemp("doors")
    with (
        plant(Shape(units=1, spare_units=0)) as it,
        daemon(it.write_estate(folder), folder / "data") as started,
    ):
        started.wait_for("/v1/systems", lambda s: s["items"], "a system")
        yield started


def knock(running: Daemon, first: bytes = b"") -> socket.socket:
    """Open a connection, and say `first`."""
    sock = socket.create_connection(("127.0.0.1", running.port), timeout=20.0)
    sock.sendall(first)
    return sock


def head(running: Daemon, what: str, *fields: str) -> bytes:
    return "\r\n".join((f"{what} HTTP/1.1", f"Host: 127.0.0.1:{running.port}", *fields, "", "")).encode()


def answer(sock: socket.socket) -> tuple[int, dict[str, str], bytes]:
    """Return the status, the headers and the body of an answer."""
    got = b""
    while b"\r\n\r\n" not in got:
        part = sock.recv(65536)
        assert part, f"closed after {got!r}"
        got += part
    top, _, body = got.partition(b"\r\n\r\n")
    lines = top.decode().split("\r\n")
    fields = {name.lower(): value for name, _, value in (line.partition(": ") for line in lines[1:])}
    while len(body) < int(fields.get("content-length", "0")):
        body += sock.recv(65536)
    return int(lines[0].split(" ")[1]), fields, body


def refusal(sock: socket.socket, status: int) -> dict[str, Any]:
    """Return the problem document that an answer of a status carries, guarded as every one is."""
    got, fields, body = answer(sock)
    assert got == status, body
    assert fields["content-type"] == "application/problem+json"
    assert fields["x-content-type-options"] == "nosniff"
    assert fields["cache-control"] == "no-store"
    told: dict[str, Any] = json.loads(body)
    assert told["status"] == status
    return told


def closed_after_s(sock: socket.socket, began_s: float) -> float:
    """Wait until the other side has closed, and return how long that took."""
    sock.settimeout(30.0)
    try:
        while sock.recv(65536):
            pass
    except ConnectionError:
        pass
    return time.monotonic() - began_s


@contextmanager
def all_closed(socks: Sequence[socket.socket]) -> Iterator[None]:
    try:
        yield
    finally:
        for sock in socks:
            sock.close()


def seen_at_once(running: Daemon) -> float:
    """Ask for the page, the service's health and an interface on connections of their own; return the longest wait, s."""
    longest = 0.0
    for path in ("/", "/health/live", "/health/ready", "/v1/systems"):
        began = time.monotonic()
        with knock(running, head(running, f"GET {path}")) as sock:
            assert answer(sock)[0] == 200, path
        longest = max(longest, time.monotonic() - began)
    return longest


def test_half_sent_heads_close_nothing_and_are_given_up(running: Daemon) -> None:
    """Twice as many as there is room for: the page and the rest go on; then, all get their 408 within the limit."""
    part = head(running, "GET /").removesuffix(b"\r\n")
    began = time.monotonic()
    crowd = [knock(running, part) for _ in range(2 * MOST_CONNECTIONS)]
    with all_closed(crowd):
        longest = seen_at_once(running)
        print(f"{len(crowd)} half-sent heads: the page and health within {longest:.3f} s")
        assert longest < 2.0
        assert refusal(crowd[-1], 408)["type"] == "/problems/too-slow"
        took = max(closed_after_s(sock, began) for sock in crowd)
        print(f"all closed after {took:.1f} s")
        assert HEAD_S - 0.5 < took < HEAD_S + 4.0
    log = running._log.read_text("utf-8")
    assert log.count("refused over HTTP") == 1, log  # a line a minute, not one for each


def test_a_word_now_and_then_does_not_hold_a_connection(running: Daemon) -> None:
    """Heads and bodies that come octet by octet have as long as others, and the page is there meanwhile."""
    began = time.monotonic()
    slow = head(running, "GET /", "X-Much: ").removesuffix(b"\r\n\r\n")
    heads = [knock(running, slow) for _ in range(20)]
    body = head(running, f"POST {ACT}", "Content-Type: application/json", "Content-Length: 1000")
    bodies = [knock(running, body) for _ in range(205)]
    with all_closed([*heads, *bodies]):
        gone: dict[socket.socket, float] = {}
        while len(gone) < 225 and time.monotonic() - began < BODY_S + 8.0:
            for sock in [*heads, *bodies]:
                if sock not in gone:
                    try:
                        sock.sendall(b"x")
                    except ConnectionError:
                        gone[sock] = time.monotonic() - began
            if len(gone) < 20:
                assert seen_at_once(running) < 2.0
            time.sleep(0.3)
        assert len(gone) == 225
        print(
            f"heads gone by {max(gone[s] for s in heads):.1f} s, bodies by {max(gone[s] for s in bodies):.1f} s"
        )
        assert max(gone[s] for s in heads) < HEAD_S + 4.0
        assert BODY_S - 0.5 < max(gone[s] for s in bodies) < BODY_S + 5.0


@pytest.mark.parametrize("close", [False, True], ids=["kept", "close"])
@pytest.mark.parametrize("form", ["announced", "chunked", "expect"])
def test_a_large_body_is_refused_before_it_is_read(running: Daemon, form: str, close: bool) -> None:
    """300 MB: told 413 before a hundredth of it is sent, and the service is no larger afterwards."""
    before = resident_bytes(running.process.pid, alone=True)
    size = 300 * MEGABYTE
    how = "Transfer-Encoding: chunked" if form == "chunked" else f"Content-Length: {size}"
    more = (["Expect: 100-continue"] if form == "expect" else []) + (["Connection: close"] if close else [])
    sock = knock(running, head(running, f"POST {ACT}", "Content-Type: application/json", how, *more))
    with all_closed([sock]):
        sent = 0
        part = b" " * MEGABYTE
        if form == "chunked":
            part = f"{MEGABYTE:x}\r\n".encode() + part + b"\r\n"
        while form != "expect" and sent < size and not select.select([sock], [], [], 0.0)[0]:
            if select.select([], [sock], [], 0.1)[1]:
                sock.setblocking(False)
                try:
                    sent += sock.send(part[:65536] if form == "announced" else part)
                except BlockingIOError:
                    pass
                except ConnectionError:
                    break
                finally:
                    sock.settimeout(20.0)
        refusal(sock, 413)
        grown = resident_bytes(running.process.pid, alone=True) - before
        print(f"{form}: 413 after {sent / MEGABYTE:.1f} MB, grown by {grown / MEGABYTE:.1f} MB")
        assert sent < 10 * MEGABYTE
        assert grown < 20 * MEGABYTE
    assert seen_at_once(running) < 2.0


def test_many_large_bodies_at_once_do_not_add_up(running: Daemon) -> None:
    before = resident_bytes(running.process.pid, alone=True)
    asked = head(running, f"POST {ACT}", "Content-Type: application/json", "Transfer-Encoding: chunked")
    crowd = [knock(running, asked) for _ in range(100)]
    with all_closed(crowd):
        for sock in crowd:
            sock.setblocking(False)
            try:
                for _ in range(40):
                    sock.send(b"10000\r\n" + b" " * 65536 + b"\r\n")
            except (BlockingIOError, ConnectionError):
                pass
        assert seen_at_once(running) < 2.0
        grown = resident_bytes(running.process.pid, alone=True) - before
        print(f"100 at once: grown by {grown / MEGABYTE:.1f} MB")
        assert grown < 60 * MEGABYTE


@pytest.mark.parametrize(
    ("length", "status"), [(LARGEST_BODY_BYTES, 404), (LARGEST_BODY_BYTES + 1, 413)], ids=["fits", "does not"]
)
@pytest.mark.parametrize("chunked", [False, True])
def test_the_limit_is_where_it_is_said_to_be(
    running: Daemon, length: int, status: int, chunked: bool
) -> None:
    body = b'{"by": "R. Haugen"}'.ljust(length)
    how = "Transfer-Encoding: chunked" if chunked else f"Content-Length: {length}"
    data = f"{length:x}\r\n".encode() + body + b"\r\n0\r\n\r\n" if chunked else body
    with knock(running, head(running, f"POST {ACT}", "Content-Type: application/json", how) + data) as sock:
        assert refusal(sock, status)["instance"] == ACT


def test_answers_that_nobody_takes_do_not_close_the_page(running: Daemon) -> None:
    """Each asks for much and reads nothing of it, until nothing more can be asked; more than there is room for."""
    ask = head(running, "GET /openapi.json") * 100
    crowd = []
    for _ in range(MOST_CONNECTIONS + 50):
        sock = socket.socket()
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        sock.connect(("127.0.0.1", running.port))
        sock.setblocking(False)
        with suppress(BlockingIOError, ConnectionError):
            sock.send(ask)
        crowd.append(sock)
    with all_closed(crowd):
        longest = seen_at_once(running)
        print(f"{len(crowd)} answers not taken: the page and health within {longest:.3f} s")
        assert longest < 10.0  # thousands of answers are made before it is seen that nobody takes them


def test_what_is_no_request_is_told_so_and_logged_once_a_minute(running: Daemon) -> None:
    for _ in range(50):
        with knock(running, b"\x16\x03\x01 not HTTP\r\n\r\n") as sock:
            assert "instance" not in refusal(sock, 400)
    with knock(
        running, head(running, "GET /health/live", "Connection: Upgrade", "Upgrade: websocket")
    ) as sock:
        assert answer(sock)[0] == 200
    log = running._log.read_text("utf-8")
    assert log.count("refused over HTTP") <= 3, log  # this module has run for two minutes at most
    assert "Invalid HTTP" not in log
    assert "Traceback" not in log


def test_places_are_kept_for_health_and_the_page() -> None:
    assert set(PLACES) == {"health", "page", "other"}
    assert (
        sum(PLACES.values()) + 50 < MOST_CONNECTIONS
    )  # and 50 streams: newcomers always find one that waits
