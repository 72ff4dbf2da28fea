"""What the first screen of a hundred systems weighs, and what it costs the service: made up, and of a real one.

pytest -s tests/bench/test_page_weight.py
"""

import statistics
import time
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import httpx

from api.http.sparing import pack
from api.pages.live import Frame, difference, event, frame
from api.pages.sheets.registry import render_at
from tests.api.pages import many
from tests.bench.whole_service import viewers
from tests.daemon import Daemon, daemon
from tests.trials.cost import cpu_s
from tests.trials.plant import Shape, plant

SYSTEMS = 100
HEAVIEST_BYTES = 100_000
MOST_CPU_S = 0.060
ASKED = 30
VIEWERS = 50
WATCHED_S = 30.0


def test_a_made_up_estate_of_a_hundred_systems() -> None:
    sheet = many.sheet_of(SYSTEMS)
    took: list[float] = []
    last: Frame | None = None
    html: str | None = None
    sent, packed = b"", b""
    for n in range(20):
        state = sheet.systems[n]
        less = replace(state, requirements=(replace(state.requirements[0], margin_s=100.0 + n),))
        sheet = replace(many.with_state(sheet, less), now=sheet.now + timedelta(seconds=1))
        began = time.process_time()
        new = frame(sheet)
        assert new is not None
        html = render_at(sheet, "/", new.id)
        assert html is not None
        packed = pack(html.encode())
        took.append(time.process_time() - began)
        sent = event(difference(last, new), id_=new.id)
        last = new
    assert html is not None
    print(
        f"{len(html.encode())} bytes, packed {len(packed)}; drawn, hashed and packed in {1000 * statistics.median(took):.1f} ms,"
        f" the first {1000 * took[0]:.1f}; an event of one row that changed {len(sent)} bytes"
    )
    assert len(html.encode()) < HEAVIEST_BYTES
    assert statistics.median(took) < MOST_CPU_S


def test_a_service_with_a_hundred_systems(tmp_path: Path) -> None:
    shape = Shape(sites=10, systems=10, units=2)
    with plant(shape) as it, daemon(it.write_estate(tmp_path, ""), tmp_path / "data") as service:
        where = f"http://127.0.0.1:{service.port}/"
        with httpx.Client(timeout=30) as ask:
            end = time.monotonic() + 240
            while ask.get(where).text.count('<tr id="s-') < SYSTEMS or not _all_judged(ask, where):
                assert time.monotonic() < end, "a hundred systems were not judged in time"
                time.sleep(2)
            time.sleep(60)
            calm_s = _spent(service, WATCHED_S)
            began, before = time.monotonic(), cpu_s(service.process.pid, alone=True)
            sizes = []
            for _ in range(ASKED):
                answer = ask.get(where)
                sizes.append((len(answer.content), int(answer.headers["content-length"])))
                time.sleep(1.1)
            passed = time.monotonic() - began
            each_s = (cpu_s(service.process.pid, alone=True) - before - calm_s * passed / WATCHED_S) / ASKED
            with viewers(VIEWERS, service.port):
                time.sleep(5)
                watched_s = _spent(service, WATCHED_S)
        print(
            f"{max(size for size, _ in sizes)} bytes, sent packed {max(packed for _, packed in sizes)};"
            f" {1000 * each_s:.0f} ms of the service's processor a page asked for; {VIEWERS} live viewers"
            f" {100 * (watched_s - calm_s) / WATCHED_S:.1f} % of a core over {100 * calm_s / WATCHED_S:.1f} % at rest"
        )
    assert max(size for size, _ in sizes) < HEAVIEST_BYTES
    assert each_s < MOST_CPU_S


def _all_judged(ask: httpx.Client, where: str) -> bool:
    items = ask.get(f"{where}v1/systems").json()["items"]
    return len(items) == SYSTEMS and all(
        item["hold_up"]["because"] or item["hold_up"]["now"]["low_s"] for item in items
    )


def _spent(service: Daemon, seconds: float) -> float:
    """Return the processor seconds of the service itself over a time."""
    before = cpu_s(service.process.pid, alone=True)
    time.sleep(seconds)
    return cpu_s(service.process.pid, alone=True) - before
