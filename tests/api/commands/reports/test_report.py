"""`ridethrough report`: from a data folder with no service running, and how a wrong question is refused."""

from __future__ import annotations

import asyncio
import json
import re
from collections.abc import Callable
from datetime import timedelta
from html import unescape
from pathlib import Path

import pytest

from api.commands.main import main
from collector.configuration import load
from collector.read_model.sheet_source import NO_LONGER
from collector.recorder.monitor_state import WatchKeeping
from collector.storage.ledger import Ledger
from collector.storage.ledger.discharge_record import DischargeRecord, DischargeRow, Phase, to_evidence
from rules.monitor.inputs import Tick
from rules.monitor.live import Live
from rules.monitor.state import Book
from rules.monitor.step import advance
from rules.phrasing.dates import day_words
from rules.phrasing.reasons import say
from rules.plant.reading import OutputLine, OutputReading, OutputSource, Reading, Silence, Stamp
from tests.api.commands.reports.test_plan import AT, ESTATE, store

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def report(capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    monkeypatch.chdir(tmp_path)

    def run(*arguments: str) -> tuple[int, str, str]:
        code = main(["report", ESTATE, *arguments])
        captured = capsys.readouterr()
        return code, captured.out, captured.err

    return run


def test_every_report_is_made_from_what_is_stored(report: Run, tmp_path: Path) -> None:
    folder = tmp_path / "data"
    store(folder)
    for what in (("estate",), ("programme",), ("system", "core"), ("isolation", "core-1"), ("plan", "core")):
        code, out, err = report(*what, "--data", str(folder))
        assert (code, err) == (0, "judging core\n")
        assert out.startswith("<!doctype html>")
        assert "24 Nov 2026" in out
        assert "qualified people" in out
    code, out, _ = report("isolation", "core-1", "--data", str(folder))
    assert "May unit core-1 be taken out for work?" in out
    code, out, _ = report("bank", "bank-1", "--data", str(folder), "--out", "bank.html")
    assert (code, out) == (0, "")
    assert (tmp_path / "bank.html").read_text(encoding="utf-8").startswith("<!doctype html>")


def test_a_report_judges_the_discharges_that_no_service_has_judged_yet(report: Run, tmp_path: Path) -> None:
    folder = tmp_path / "data"
    store(folder)
    volts = [(480.0 - 60.0 * (t / 600.0) ** 2, 5.0 * k) for k, t in enumerate(range(0, 601, 5))]
    rows = [DischargeRow(10.0 + t_s, v, 14.0, 25.0, 6000.0, True) for v, t_s in volts]
    rest = DischargeRow(5.0, 540.0, 0.0, 25.0, 6000.0, False)
    record = DischargeRecord(
        "bank-1-outage", "bank-1", AT - timedelta(days=200), "outage", (rest, *rows), Phase.DONE,
        started_s=10.0, ended_after_s=610.0, ended_s=612.0, ended_how="supply_back", watched_s=90_000.0,
        until=AT - timedelta(days=199),
    )  # fmt: skip

    async def kept() -> None:
        async with Ledger(folder / "ledger.sqlite") as ledger, ledger.transaction() as tx:
            tx.save_evidence(to_evidence(record))

    asyncio.run(kept())
    _, out, _ = report("bank", "bank-1", "--data", str(folder))
    assert "No discharge of this bank has been judged" not in out
    assert day_words(record.at.date()) in out


def test_a_report_names_the_alarms_that_stood_when_the_service_stopped(report: Run, tmp_path: Path) -> None:
    folder = tmp_path / "data"
    store(folder)
    live = Live(Book(load(Path(ESTATE)).estate))
    advance(live, Silence("core-2", Stamp(AT, 1.0, "run"), "no reply within 2 s"))
    advance(live, Tick(Stamp(AT + timedelta(seconds=300), 301.0, "run")))
    keeping = WatchKeeping()
    keeping.note(live.take_touched(), live.now)

    async def kept() -> None:
        async with Ledger(folder / "ledger.sqlite") as ledger, ledger.transaction() as tx:
            keeping.save(tx, AT)

    asyncio.run(kept())
    code, out, _ = report("system", "core", "--data", str(folder))
    assert code == 0
    assert "The card of unit core-2" in out
    assert "does not answer, so nothing is known of it." in out


def keep_alarm(folder: Path, *watts_a_line: float) -> str:
    """Keep what the watch makes of unit core-1 carrying so much, 10 s after each other; return what its alarm says."""
    book = Book(load(Path(ESTATE)).estate)
    live, keeping = Live(book), WatchKeeping()
    for n, watts in enumerate(watts_a_line):
        lines = tuple(OutputLine(line, 230.0, watts / 230.0, watts) for line in (1, 2, 3))
        at = Stamp(AT + timedelta(seconds=10.0 * n), 10.0 * n, "run")
        advance(live, Reading("core-1", at, output=OutputReading(OutputSource.NORMAL, 50.0, lines)))
        keeping.note(live.take_touched(), live.now)

    async def kept() -> None:
        async with Ledger(folder / "ledger.sqlite") as ledger, ledger.transaction() as tx:
            keeping.save(tx, AT)

    asyncio.run(kept())
    return say(live.now.alarms["overload:core-1"].what)


def test_every_report_that_lists_alarms_has_those_that_stand(report: Run, tmp_path: Path) -> None:
    folder = tmp_path / "data"
    store(folder)
    said = keep_alarm(folder, 30_000.0, 30_000.0)
    assert "of its rating on line 1" in said
    for what in (("estate",), ("system", "core")):
        _, out, _ = report(*what, "--data", str(folder))
        text = re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]*>", "", out)))
        assert "No alarm is active" not in text
        assert "of its rating on line 1" in text
        assert NO_LONGER not in text


def test_what_is_over_and_stands_for_its_off_delay_is_said_in_the_past_tense(
    report: Run, tmp_path: Path
) -> None:
    folder = tmp_path / "data"
    store(folder)
    keep_alarm(folder, 30_000.0, 30_000.0, 100.0)  # the overload ends 10 s after it was last seen gone
    _, out, _ = report("system", "core", "--data", str(folder))
    text = re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]*>", "", out)))
    assert NO_LONGER in text


@pytest.mark.parametrize(
    ("arguments", "code", "word"),
    [
        (("system",), 2, "want one of core"),
        (("system", "nowhere"), 2, "nowhere"),
        (("programme", "core"), 2, "no ID"),
        (("estate", "--data", "none"), 3, "no readings are stored"),
        (("plan", "core", "--from", "http://127.0.0.1:1"), 2, "--from"),
        (("system", "core", "--from", "here"), 2, "http://"),
        (("system", "core", "--from", "http://127.0.0.1:1"), 3, "http://127.0.0.1:1/reports/system/core"),
    ],
)
def test_a_wrong_question_ends_in_one_sentence(
    report: Run, arguments: tuple[str, ...], code: int, word: str
) -> None:
    found, out, err = report(*arguments)
    assert (found, out) == (code, "")
    assert word in err
    assert len(err.splitlines()) == 1


def test_a_wrong_scenario_is_refused_with_its_place(report: Run, tmp_path: Path) -> None:
    folder = tmp_path / "data"
    store(folder)
    (tmp_path / "scenario.json").write_text('{"until": 3}')
    code, out, err = report("plan", "core", "--scenario", "scenario.json", "--data", str(folder))
    assert (code, out) == (2, "")
    assert "until" in err


def test_the_discharges_that_pay_are_printed_and_given_as_json(
    report: Run, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "data"
    store(folder)
    assert main(["discharges", ESTATE, "--data", str(folder)]) == 0
    said = capsys.readouterr().out
    assert "Let bank bank-1 carry its part of the load" in said
    assert "It gives the bank its first day to order by" in said
    assert main(["discharges", ESTATE, "--data", str(folder), "--json"]) == 0
    plain = json.loads(capsys.readouterr().out)
    days = [visit["on"] for visit in plain["visits"]]
    assert days == sorted(days)
    banks = [one["bank"] for visit in plain["visits"] for one in visit["discharges"]]
    assert sorted(banks) == sorted(plain["banks"])
    assert report("programme", "--data", str(folder))[1].count("Let bank bank-1 carry") == 2  # job and visit
    assert main(["discharges", ESTATE, "--data", str(tmp_path / "nowhere")]) == 3
