"""Whose the other end of a connection is: the kernel's list, read for real sockets, and for lines as other machines have them."""

import os
import socket
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from api.access import peers
from api.access.peers import is_ours, owner

HEAD = "  sl  local_address rem_address   st tx_queue rx_queue tr tm->when retrnsmt   uid  timeout inode\n"
LINE = "   1: {client} {server} {state} 00000000:00000000 00:00000000 00000000  {uid}        0 {inode} 1 0 100 0\n"
CLIENT, SERVER = ("127.0.0.1", 51902), ("127.0.0.1", 8470)


@pytest.fixture(params=["127.0.0.1", "::1"])
def connected(request: pytest.FixtureRequest) -> Iterator[tuple[socket.socket, socket.socket]]:
    family = socket.AF_INET6 if ":" in request.param else socket.AF_INET
    with (
        socket.create_server((request.param, 0), family=family) as bound,
        socket.create_connection(bound.getsockname()[:2]) as client,
        bound.accept()[0] as accepted,
    ):
        yield client, accepted


def test_our_own_other_end_is_ours(connected: tuple[socket.socket, socket.socket]) -> None:
    _, accepted = connected
    peer, here = accepted.getpeername()[:2], accepted.getsockname()[:2]
    assert owner(peer, here) == os.geteuid()
    assert is_ours(peer, here)


def test_a_connection_that_is_closed_belongs_to_nobody(
    connected: tuple[socket.socket, socket.socket],
) -> None:
    client, accepted = connected
    peer, here = accepted.getpeername()[:2], accepted.getsockname()[:2]
    client.close()
    assert owner(peer, here) is None, "the list says root of it"
    assert not is_ours(peer, here)


@pytest.mark.skipif(sys.byteorder != "little", reason="lines of a little-endian machine")
@pytest.mark.parametrize(
    ("fields", "found"),
    [
        ({"state": "01", "uid": 1000, "inode": 42}, 1000),
        ({"state": "01", "uid": 0, "inode": 42}, 0),
        ({"state": "06", "uid": 0, "inode": 0}, None),  # its program closed it: nobody's
        ({"state": "08", "uid": 1000, "inode": 42}, None),
        ({"state": "01", "uid": 0, "inode": 0}, None),
    ],
)
def test_only_an_established_connection_has_an_owner(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fields: dict[str, object], found: int | None
) -> None:
    table = tmp_path / "tcp"
    mine = LINE.format(client="0100007F:CABE", server="0100007F:2116", **fields)
    # the same port of another address, and our own end of the same connection
    other = LINE.format(client="0200007F:CABE", server="0100007F:2116", state="01", uid=7, inode=9)
    ours = LINE.format(client="0100007F:2116", server="0100007F:CABE", state="01", uid=8, inode=10)
    table.write_text(HEAD + ours + other + mine)
    monkeypatch.setitem(peers.TABLES, 4, table)
    assert owner(CLIENT, SERVER) == found


def test_what_cannot_be_told_is_not_ours(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert owner(("192.0.2.1", 1), SERVER) is None
    assert owner(("testclient", 1), SERVER) is None
    assert owner(("::1", 1), SERVER) is None
    for content in (None, "", HEAD, HEAD + "nonsense\n", HEAD + "a b c\n" * 3):
        table = tmp_path / "tcp"
        table.unlink(missing_ok=True)
        if content is not None:
            table.write_text(content)
        monkeypatch.setitem(peers.TABLES, 4, table)
        assert not is_ours(CLIENT, SERVER)
