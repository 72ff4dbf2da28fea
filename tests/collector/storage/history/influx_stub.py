"""A stand-in for an InfluxDB server that answers as a test tells it, for what no real one here would say."""

from collections.abc import Callable
from http.server import BaseHTTPRequestHandler

from collector.storage.history.store import WireReading
from tests.collector.storage.history.loopback import Loopback

Reply = tuple[int, str, bytes]
TAKEN: Reply = (204, "application/json", b"")
NOTHING: Reply = (200, "application/json", b'{"results":[{}]}')
LATER: Reply = (503, "text/plain", b"not now")
CONFLICT: Reply = (400, "application/json", b'{"code":"invalid","message":"field type conflict"}')
TOO_LARGE: Reply = (413, "text/plain", b"too large")


class _Stub(BaseHTTPRequestHandler):
    server: "StubServer"

    def _answer(self) -> None:
        body = self.rfile.read(int(self.headers.get("Content-Length", "0")))
        self.server.asked.append((self.path, self.headers.get("Authorization")))
        if self.command == "POST":
            reply = self.server.writes(body) if self.server.writes else self.server.reply
            if reply[0] == TAKEN[0]:
                self.server.taken.append(body)
        else:
            reply = self.server.reply
        status, kind, content = reply
        self.send_response(status)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(len(content)))
        self.end_headers()
        self.wfile.write(content)

    do_GET = do_POST = _answer  # noqa: N815 - the names http.server calls

    def log_message(self, format: str, *args: object) -> None:  # noqa: A002 - the base class's name
        pass


class StubServer(Loopback):
    """Answers every request with `reply`; a write with what `writes` makes of its body, where that is set.

    `asked` lists path and identity of each request, `taken` the bodies of the writes it took.
    """

    def __init__(self) -> None:
        self.reply = TAKEN
        self.writes: Callable[[bytes], Reply] | None = None
        self.asked: list[tuple[str, str | None]] = []
        self.taken: list[bytes] = []
        super().__init__(_Stub)


def times(stub: StubServer) -> list[int]:
    """Return the times of the lines that the server took, in order."""
    return [int(line.rpartition(b" ")[2]) for body in stub.taken for line in body.splitlines()]


def at_ms(readings: list[WireReading]) -> list[int]:
    """Return the times of readings as their lines give them."""
    return [round(reading.at.timestamp() * 1000) for reading in readings]
