"""The recipe for a proxy, as it stands in `deploy/nginx.conf`: signed in by TLS, acted, watched, and nothing smuggled past it."""

from __future__ import annotations

import os
import ssl
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

import httpx
import pytest

from tests.api.http.test_tls import write_certificate
from tests.daemon import CODE, ROOT, Daemon, command, daemon, eventually, free_tcp_port
from tests.servers import need_program
from tests.test_whole_service import estate_file

pytestmark = [pytest.mark.real_server, pytest.mark.slow]

NAME: Final = "ups.example"
SECRET: Final = "a long random text"
PASSWORD: Final = "a plain long password"
LISTEN: Final = f'[listen]\nnames = ["{NAME}"]\nproxies = ["127.0.0.1"]\nproxy_secret = "proxy"\n'
AROUND: Final = """
daemon off;
pid {folder}/nginx.pid;
error_log {folder}/error.log;
events {{}}
http {{
    access_log off;
    client_body_temp_path {folder}/body;
    proxy_temp_path {folder}/proxy;
    fastcgi_temp_path {folder}/fastcgi;
    uwsgi_temp_path {folder}/uwsgi;
    scgi_temp_path {folder}/scgi;
    include {folder}/site.conf;
}}
"""


@contextmanager
def nginx(folder: Path, port: int, behind: int) -> Iterator[None]:
    """Run the recipe at a port of this machine, before a service at another."""
    folder.chmod(0o755)
    recipe = (ROOT / "deploy" / "nginx.conf").read_text("utf-8")
    changed = (
        recipe.replace("/etc/ridethrough-proxy", str(folder))
        .replace("listen 443 ssl", f"listen 127.0.0.1:{port} ssl")
        .replace("127.0.0.1:8470", f"127.0.0.1:{behind}")
    )
    (folder / "site.conf").write_text(changed, "utf-8")
    (folder / "secret.conf").write_text(f'proxy_set_header X-Proxy-Secret "{SECRET}";\n', "utf-8")
    (folder / "nginx.conf").write_text(AROUND.format(folder=folder), "utf-8")
    write_certificate(folder, NAME)
    asked = [
        need_program("nginx"),
        "-c",
        str(folder / "nginx.conf"),
        "-p",
        str(folder),
        "-e",
        str(folder / "error.log"),
    ]
    if os.geteuid() == 0:
        asked += ["-g", "user root;"]
    process = subprocess.Popen(asked)
    try:
        yield
    finally:
        process.terminate()
        process.wait(10)


def browser(folder: Path, port: int) -> httpx.Client:
    """Return a client that knows the certificate, and finds the name on this machine."""
    context = ssl.create_default_context(cafile=str(folder / "chain.pem"))
    return httpx.Client(
        base_url=f"https://127.0.0.1:{port}",
        verify=context,
        timeout=20.0,
        headers={"Host": f"{NAME}:{port}"},
    )


class Site:
    """A service behind the recipe."""

    def __init__(self, folder: Path, port: int, service: Daemon) -> None:
        self.folder, self.port, self.service = folder, port, service
        self.origin = f"https://{NAME}:{port}"
        self._browsers: list[httpx.Client] = []

    def browser(self) -> httpx.Client:
        """Return a browser that has not signed in."""
        self._browsers.append(browser(self.folder, self.port))
        return self._browsers[-1]

    def close(self) -> None:
        """Close every browser."""
        for one in self._browsers:
            one.close()

    def ask(self, client: httpx.Client, method: str, path: str, **more: object) -> httpx.Response:
        """Ask by the site's own name."""
        extensions = {"sni_hostname": NAME}
        return client.request(method, path, extensions=extensions, **more)  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    need_program("nginx")
    folder = tmp_path_factory.mktemp("proxied")
    estate = estate_file(folder, 9, 10)
    estate.write_text(estate.read_text("utf-8") + LISTEN, "utf-8")
    with (folder / "secrets.toml").open("a", encoding="utf-8") as secrets:
        secrets.write(f'[proxy]\ntoken = "{SECRET}"\n')
    added = subprocess.run(
        ["sh", "-c", f'echo "{PASSWORD}" | exec "$@"', "sh", sys.executable, "-c", CODE, "user", "add", "amir", "--role", "act",
         "--data", str(folder / "data")],
        cwd=ROOT, capture_output=True, text=True, timeout=60, check=False, env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    assert added.returncode == 0, added.stderr
    port = free_tcp_port()
    proxy = folder / "proxy-root"
    proxy.mkdir()
    with daemon(estate, folder / "data") as service, nginx(proxy, port, service.port):
        found = Site(proxy, port, service)

        def answers() -> bool:
            try:
                return found.ask(found.browser(), "GET", "/health/live").status_code == 200
            except httpx.TransportError:
                return False

        eventually(lambda: answers() or None, "an answer through the proxy", 30.0)
        yield found
        found.close()


def signed_in(site: Site) -> tuple[httpx.Client, str]:
    client = site.browser()
    said = {"name": "amir", "password": PASSWORD, "next": "/account"}
    answer = site.ask(client, "POST", "/sign-in", data=said, headers={"Origin": site.origin})
    assert answer.status_code == 303, answer.text
    cookie = answer.headers["set-cookie"]
    assert cookie.startswith("__Host-ridethrough-session=")
    assert "Secure" in cookie
    client.headers["Cookie"] = cookie.partition(";")[0]
    page = site.ask(client, "GET", "/account").text
    return client, page.partition('name="csrf" type="hidden" value="')[2].partition('"')[0]


def test_somebody_signs_in_acts_and_signs_out_by_the_proxy(site: Site) -> None:
    stranger = site.ask(site.browser(), "GET", "/", headers={"Accept": "text/html"})
    assert (stranger.status_code, stranger.headers["location"]) == (303, "/sign-in?next=%2F")
    assert stranger.headers["strict-transport-security"]
    client, proof = signed_in(site)
    assert "amir" in site.ask(client, "GET", "/").text
    act = "/v1/alarms/none/acknowledge"
    assert site.ask(client, "POST", act, json={}).status_code == 403
    shown = {"X-CSRF-Token": proof}
    assert site.ask(client, "POST", act, json={}, headers=shown).status_code == 404
    own = {**shown, "Origin": site.origin}
    assert site.ask(client, "POST", act, json={}, headers=own).status_code == 404
    for origin in ("https://evil.example", f"https://{NAME}", f"http://127.0.0.1:{site.service.port}"):
        other = {**shown, "Origin": origin}
        assert site.ask(client, "POST", act, json={}, headers=other).status_code == 403, origin
    form = {"csrf": proof}
    out = site.ask(client, "POST", "/sign-out", data=form, headers={"Origin": site.origin})
    assert out.status_code == 303
    assert site.ask(client, "GET", "/v1/systems").status_code == 401


def test_the_live_stream_comes_through_as_it_is_written(site: Site) -> None:
    client, _ = signed_in(site)
    began = time.monotonic()
    with client.stream("GET", "/v1/live", extensions={"sni_hostname": NAME}) as stream:
        assert stream.headers["content-type"].startswith("text/event-stream")
        lines = stream.iter_lines()
        first = next(line for line in lines if line.startswith("event:"))
        assert first == "event: sheet"
    assert time.monotonic() - began < 10.0


def test_what_a_client_says_of_itself_ends_at_the_proxy(site: Site) -> None:
    client = site.browser()
    for headers in (
        {"Remote-User": "amir"},
        {"X-Proxy-Secret": SECRET, "Remote-User": "amir"},
        {"X-Forwarded-For": "127.0.0.1", "X-Forwarded-Proto": "http"},
        {"Connection": "close, Remote-User", "Remote-User": "amir"},
    ):
        answer = site.ask(client, "GET", "/v1/systems", headers=headers)
        assert answer.status_code in {400, 401, 501}, headers
    assert site.ask(client, "GET", "/v1/systems", headers={"Host": "evil.example"}).status_code == 403


def test_another_program_of_this_machine_is_no_proxy(site: Site) -> None:
    with httpx.Client(base_url=f"http://127.0.0.1:{site.service.port}") as direct:
        for shown in ({}, {"X-Proxy-Secret": "a guess"}):
            headers = {"X-Forwarded-Proto": "https", "X-Forwarded-For": "192.0.2.1", **shown}
            assert direct.get("/v1/systems", headers=headers).status_code == 401
            assert "strict-transport-security" not in direct.get("/sign-in", headers=headers).headers


def test_nobody_on_this_machine_says_which_address_they_ask_from(site: Site) -> None:
    said = {"name": "stranger", "password": "wrong password"}
    with httpx.Client(base_url=f"http://127.0.0.1:{site.service.port}") as direct:
        headers = {"X-Forwarded-For": "203.0.113.9", "Origin": f"http://127.0.0.1:{site.service.port}"}
        assert direct.post("/sign-in", data=said, headers=headers).status_code == 401
    client, _ = signed_in(site)
    told = site.ask(client, "GET", "/v1/events").json()["items"]
    (line,) = [event for event in told if event["kind"] == "wrong_password"]
    assert line["asked"]["from"] == "127.0.0.1"
    assert "203.0.113.9" not in line["text"]


def test_tries_are_counted_by_the_clients_own_address(site: Site) -> None:
    client = site.browser()
    said = {"name": "nobody", "password": "wrong password"}
    codes = [
        site.ask(client, "POST", "/sign-in", data=said, headers={"Origin": site.origin}).status_code
        for _ in range(6)
    ]
    assert codes[:5] == [401] * 5
    assert set(codes[5:]) <= {429, 503}
    told = command("user", "list", "--data", str(site.service.data))
    assert told.stdout.startswith("amir\tact\tby password")
