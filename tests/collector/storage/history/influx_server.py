"""A real InfluxDB 1.x on loopback, and before it a mapping of the v2 write URL to its own.

Debian's 1.6 has no /api/v2/write, which the official client writes to; the mapping turns
`POST /api/v2/write?bucket=B&precision=ms` into `POST /write?db=B&precision=ms` and passes everything
else through, so that the official client writes into a real engine.
"""

import contextlib
import http
import http.client
import os
import shutil
import signal
import socket
import subprocess
import time
import urllib.error
import urllib.parse
import urllib.request
from http.server import BaseHTTPRequestHandler
from pathlib import Path

from tests.collector.storage.history.loopback import Loopback

INFLUXD = shutil.which("influxd")


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class InfluxServer:
    """The engine, which can be stopped, killed and started again on the same data."""

    def __init__(self, folder: Path, *, index: str = "inmem", identities: bool = False) -> None:
        self.folder = folder
        self._identities = identities
        self.port = free_port()
        self._index = index
        self._process: subprocess.Popen[bytes] | None = None
        (folder / "influxd.conf").write_text("", encoding="utf-8")

    def start(self) -> None:
        assert INFLUXD is not None
        settings = {
            "INFLUXDB_REPORTING_DISABLED": "true",
            "INFLUXDB_BIND_ADDRESS": f"127.0.0.1:{free_port()}",
            "INFLUXDB_META_DIR": str(self.folder / "meta"),
            "INFLUXDB_DATA_DIR": str(self.folder / "data"),
            "INFLUXDB_DATA_WAL_DIR": str(self.folder / "wal"),
            "INFLUXDB_DATA_INDEX_VERSION": self._index,
            "INFLUXDB_DATA_CACHE_SNAPSHOT_WRITE_COLD_DURATION": "5s",
            "INFLUXDB_DATA_COMPACT_FULL_WRITE_COLD_DURATION": "10s",
            "INFLUXDB_DATA_QUERY_LOG_ENABLED": "false",
            "INFLUXDB_HTTP_BIND_ADDRESS": f"127.0.0.1:{self.port}",
            "INFLUXDB_HTTP_LOG_ENABLED": "false",
            "INFLUXDB_HTTP_AUTH_ENABLED": str(self._identities).lower(),
            "INFLUXDB_MONITOR_STORE_ENABLED": "false",
        }
        self._process = subprocess.Popen(
            [INFLUXD, "-config", str(self.folder / "influxd.conf")],
            env={**os.environ, **settings},
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        deadline = time.monotonic() + 20
        while time.monotonic() < deadline:
            try:
                with urllib.request.urlopen(f"http://127.0.0.1:{self.port}/ping", timeout=1):
                    return
            except OSError:
                time.sleep(0.05)
        raise TimeoutError("influxd did not start")

    @property
    def pid(self) -> int:
        assert self._process is not None
        return self._process.pid

    def end(self, how: signal.Signals = signal.SIGTERM) -> None:
        if self._process is not None:
            self._process.send_signal(how)
            self._process.wait(timeout=20)
            self._process = None

    def make(self, database: str) -> None:
        self.ask(f'CREATE DATABASE "{database}"')

    def ask(self, statement: str, **identity: str) -> None:
        query = urllib.parse.urlencode({"q": statement, **identity})
        asked = urllib.request.Request(f"http://127.0.0.1:{self.port}/query?{query}", method="POST")
        with urllib.request.urlopen(asked, timeout=20) as answer:
            said = answer.read()
        if b'"error"' in said:
            raise RuntimeError(f"influxd would not {statement}: {said!r}")

    def make_with_keeper(self, database: str) -> None:
        """Make a user, from where on it asks who asks, and a database; again while it does not know the user yet."""
        deadline = time.monotonic() + 20
        keeper = {"u": "keeper", "p": "known to few"}
        while True:
            try:
                with contextlib.suppress(urllib.error.HTTPError):  # once there is one, nobody else may
                    self.ask("CREATE USER keeper WITH PASSWORD 'known to few' WITH ALL PRIVILEGES")
                self.ask(f'CREATE DATABASE "{database}"', **keeper)
            except (urllib.error.HTTPError, RuntimeError):
                if time.monotonic() > deadline:
                    raise
                time.sleep(0.1)
            else:
                return


class _Mapping(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    server: "PathMapping"

    def _pass_on(self) -> None:
        length = int(self.headers.get("Content-Length", "0"))
        body = self.rfile.read(length)
        url = urllib.parse.urlsplit(self.path)
        path = self.path
        if url.path == "/api/v2/write":
            asked = dict(urllib.parse.parse_qsl(url.query))
            kept = {"db": asked["bucket"], "precision": asked["precision"]}
            path = "/write?" + urllib.parse.urlencode(kept)
        self.server.seen.append((self.command, url.path))
        connection = http.client.HTTPConnection("127.0.0.1", self.server.engine_port, timeout=60)
        try:
            headers = {
                k: v for k, v in self.headers.items() if k.lower() in {"content-encoding", "content-type"}
            }
            connection.request(self.command, path, body, headers)
            reply = connection.getresponse()
            content = reply.read()
            status, kind = reply.status, reply.getheader("Content-Type", "text/plain")
            if self.command == "POST" and status == http.HTTPStatus.NO_CONTENT:
                self.server.taken.append(body)
        except OSError:
            status, kind, content = 502, "text/plain", b"engine away"
        finally:
            connection.close()
        self.send_response(status)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(len(content)))
        self.end_headers()
        self.wfile.write(content)

    do_GET = do_POST = _pass_on  # noqa: N815 - the names http.server calls

    def log_message(self, format: str, *args: object) -> None:  # noqa: A002 - the base class's name
        pass


class PathMapping(Loopback):
    """The mapping; `seen` lists what came, as method and path, `taken` the writes that the engine took, in order."""

    def __init__(self, engine_port: int) -> None:
        self.engine_port = engine_port
        self.seen: list[tuple[str, str]] = []
        self.taken: list[bytes] = []
        super().__init__(_Mapping)
