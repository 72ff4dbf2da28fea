"""Make the pictures of the page: python deploy/pictures.py http://127.0.0.1:8470 deploy/pictures

Drives Chromium over a running service, best the demonstration: every sheet on a desk and a phone, on light
and dark paper, and the wall. With --outage it waits until a system is on its banks and takes that too; with --first NAME it
takes the first screen alone, as it stands before anybody scrolls, as NAME.webp.
Needs chromium, chromedriver and the Python package selenium.
"""

from __future__ import annotations

import argparse
import base64
import json
import sys
import tempfile
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from shutil import which
from typing import Any

from selenium import webdriver

SWITCHES = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-dev-shm-usage",
    "--hide-scrollbars",
)
DESK, PHONE, FOLD = 1440, 360, 900
WALL = (1920, 1080)
QUALITY = 60
"""Of the pictures (WebP), 0 to 100."""


@contextmanager
def chromium() -> Iterator[webdriver.Chrome]:
    """Yield a browser without a window."""
    browser, driver = which("chromium"), which("chromedriver")
    if browser is None or driver is None:
        sys.exit("chromium and chromedriver are wanted (Debian: apt-get install chromium chromium-driver)")
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        options = webdriver.ChromeOptions()
        options.binary_location = browser
        for switch in (*SWITCHES, f"--user-data-dir={profile}"):
            options.add_argument(switch)
        made = webdriver.Chrome(options, webdriver.ChromeService(driver))
        try:
            made.set_page_load_timeout(30)
            yield made
        finally:
            made.quit()


def take(
    driver: webdriver.Chrome,
    url: str,
    out: Path,
    *,
    width: int,
    dark: bool = False,
    height: int | None = None,
) -> None:
    """Save the page at `url` as a picture `width` pixels wide: the whole of it, or the first `height` pixels."""
    feature = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
    driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [feature]})
    size = {"width": width, "height": height or 1000, "deviceScaleFactor": 1, "mobile": False}
    driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    driver.get(url)
    time.sleep(1.0)
    whole = int(driver.execute_script("return document.body.getBoundingClientRect().bottom")) + 20
    size["height"] = height or whole
    driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    picture = driver.execute_cdp_cmd("Page.captureScreenshot", {"format": "webp", "quality": QUALITY})
    out.write_bytes(base64.b64decode(picture["data"]))
    print(out)


def items_at(base: str, what: str) -> list[dict[str, Any]]:
    """Return what the service at `base` lists: its systems, its banks."""
    if not base.startswith("http://"):
        sys.exit(f"want an address like http://127.0.0.1:8470; got {base}")
    with urllib.request.urlopen(f"{base}/v1/{what}", timeout=10) as answer:  # noqa: S310 - http only, see above
        found: list[dict[str, Any]] = json.load(answer)["items"]
    return found


def main() -> None:
    """Take the pictures."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("url", help="where the service answers, as http://127.0.0.1:8470")
    parser.add_argument("out", type=Path, help="the folder the pictures go to")
    parser.add_argument("--outage", type=float, metavar="SECONDS", help="wait this long for an outage")
    parser.add_argument(
        "--first", metavar="NAME", help="take the first screen alone, 1440 pixels wide, under this name"
    )
    parser.add_argument("--height", type=int, default=FOLD, help="of that screen, in pixels")
    given = parser.parse_args()
    base, out = given.url.rstrip("/"), given.out
    out.mkdir(parents=True, exist_ok=True)
    if given.first:
        with chromium() as driver:
            take(driver, f"{base}/", out / f"{given.first}.webp", width=DESK, height=given.height)
        return
    systems = items_at(base, "systems")
    with chromium() as driver:
        take(driver, f"{base}/", out / "overview.webp", width=DESK)
        take(driver, f"{base}/", out / "overview-dark.webp", width=DESK, dark=True)
        take(driver, f"{base}/", out / "overview-phone.webp", width=PHONE)
        take(driver, f"{base}/alarms", out / "alarms.webp", width=DESK)
        take(driver, f"{base}/banks", out / "banks.webp", width=DESK)
        take(driver, f"{base}/wall", out / "wall.webp", width=WALL[0], height=WALL[1])
        for system in systems:
            take(driver, f"{base}/systems/{system['id']}", out / f"system-{system['id']}.webp", width=DESK)
        for bank in items_at(base, "banks")[:1]:
            take(driver, f"{base}/banks/{bank['id']}", out / "bank.webp", width=DESK, dark=True)
        if systems:
            unit = systems[0]["units"][0]["id"]
            take(driver, f"{base}/units/{unit}", out / "unit.webp", width=DESK)
        end = time.monotonic() + (given.outage or 0.0)
        while time.monotonic() < end:
            if any(system["on_battery"] for system in items_at(base, "systems")):
                time.sleep(20.0)
                take(driver, f"{base}/wall", out / "wall-outage.webp", width=WALL[0], height=WALL[1])
                take(driver, f"{base}/", out / "outage.webp", width=DESK)
                take(driver, f"{base}/", out / "outage-phone.webp", width=PHONE)
                return
            time.sleep(2.0)


if __name__ == "__main__":
    main()
