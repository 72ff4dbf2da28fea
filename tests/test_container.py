"""The container's files: what they say of users, rights and files; and the question whether it is healthy, really asked.

No container engine is needed, so none of this shows that one builds or runs it.
"""

from __future__ import annotations

import importlib.util
import re
import ssl
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import Any

import pytest
import yaml

from tests.api.http.test_tls import write_certificate
from tests.daemon import free_tcp_port

ROOT = Path(__file__).resolve().parents[1]
HERE = ROOT / "deploy" / "container"
USER = "10470:10470"


def instructions() -> list[tuple[str, str]]:
    text = (HERE / "Containerfile").read_text("utf-8").replace("\\\n", " ")
    lines = [line for line in text.splitlines() if line and not line.startswith("#")]
    return [(word, rest) for word, _, rest in (line.partition(" ") for line in lines)]


def test_the_image_runs_as_a_user_of_its_own_and_asks_whether_it_is_healthy() -> None:
    said = instructions()
    last = [rest for word, rest in said if word == "USER"][-1]
    assert last == USER
    after = [word for word, _ in said[[w for w, _ in said].index("USER") :]]
    assert "RUN" not in after, "nothing is made by the user that runs it"
    assert any(word == "HEALTHCHECK" and "healthy.py" in rest for word, rest in said)
    assert not any(word == "ADD" for word, _ in said)
    assert any("--require-hashes" in rest for _, rest in said)


def test_every_file_that_is_copied_into_the_image_is_there_and_holds_no_secret() -> None:
    for word, rest in instructions():
        if word == "COPY" and not rest.startswith("--from"):
            for source in rest.split()[:-1]:
                assert (ROOT / source).exists(), source
                assert "secret" not in source


def test_nothing_that_runs_may_write_to_its_root_or_gain_rights() -> None:
    services: dict[str, Any] = yaml.safe_load((HERE / "compose.yaml").read_text("utf-8"))["services"]
    ours = services["ridethrough"]
    assert (ours["read_only"], ours["user"], ours["cap_drop"]) == (True, USER, ["ALL"])
    assert [v for v in ours["volumes"] if not v.endswith(":ro")] == ["data:/var/lib/ridethrough"]
    for name, service in services.items():
        assert service["security_opt"] == ["no-new-privileges:true"], name
        assert service["cap_drop"] == ["ALL"], name
        assert name == "ridethrough" or "ports" not in service, "reached by the services there alone"
        assert not re.search("password|token", str(service.get("environment", ""))), name


class Health(BaseHTTPRequestHandler):
    """Answers as `/health/live` does."""

    status = 200

    def do_GET(self) -> None:
        wanted = self.path == "/health/live" and self.headers["Host"].startswith("127.0.0.1:")
        self.send_response(self.status if wanted else 404)
        self.send_header("Content-Length", "0")
        self.end_headers()

    def log_message(self, *_: object) -> None:
        pass


@contextmanager
def serving(status: int, certificate: tuple[Path, Path] | None) -> Iterator[int]:
    handler = type("H", (Health,), {"status": status})
    server = HTTPServer(("127.0.0.1", 0), handler)
    if certificate is not None:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(*certificate)
        server.socket = context.wrap_socket(server.socket, server_side=True)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
    thread.start()
    try:
        yield server.server_address[1]
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


def healthy(port: int) -> bool:
    spec = importlib.util.spec_from_file_location("healthy", HERE / "healthy.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    module.PORT = port  # type: ignore[attr-defined]
    return bool(module.alive())


@pytest.mark.parametrize(("status", "well"), [(200, True), (503, False)])
@pytest.mark.parametrize("encrypted", [False, True])
def test_health_is_asked_in_the_clear_or_encrypted(
    tmp_path: Path, status: int, well: bool, encrypted: bool
) -> None:
    with serving(status, write_certificate(tmp_path) if encrypted else None) as port:
        assert healthy(port) is well


def test_where_nothing_answers_it_is_not_healthy() -> None:
    assert not healthy(free_tcp_port())
