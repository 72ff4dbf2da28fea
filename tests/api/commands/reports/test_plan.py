"""`ridethrough plan`: on a given load, on stored readings, and how a wrong question is refused."""

from __future__ import annotations

import asyncio
import base64
import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from api.commands.main import main
from collector.cards.mib.interpretation import CardMeaning
from collector.simulation.scenario.demonstration import SimScenario, cards
from collector.storage.database import make_folder
from collector.storage.history.sqlite import SqliteHistory
from collector.storage.history.store import WireReading
from collector.storage.ledger import Ledger
from collector.storage.ledger.records import SignedLine, Snapshot
from rules.plant.reading import Stamp
from rules.system.load.record import PeakRecord
from rules.system.state import LineLoad, Load
from rules.values.serial import to_plain
from tests.api.pages.shutdowns import signed as invented
from tests.collector.storage.history.influx_server import free_port

ESTATE = str(Path(__file__).parents[4] / "deploy" / "example-estate.toml")
LOAD = ("--load", "1500,1500,1500")

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def plan(capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    monkeypatch.chdir(tmp_path)

    def run(*arguments: str, system: str | None = "core") -> tuple[int, str, str]:
        which = () if system is None else ("--system", system)
        code = main(["plan", ESTATE, *which, *arguments])
        captured = capsys.readouterr()
        return code, captured.out, captured.err

    return run


def test_a_short_outage_without_the_set(plan: Run) -> None:
    code, out, _ = plan(*LOAD, "--set", "never", "--back-after", "5", "--banks", "full", "--json")
    found: dict[str, Any] = json.loads(out)
    assert (code, found["verdict"]) == (11, "cannot_tell"), "nothing was ever seen of these banks"
    assert "No discharge stands behind every bank" in found["because"][0]
    assert found["played_on"].startswith("a given load of 4.5 kW")
    assert [h["median_s"] for h in found["happenings"] if h["what"] == "mains back"] == [5.0]


def test_bad_news_has_its_own_exit_code_and_says_when(plan: Run) -> None:
    code, out, _ = plan(*LOAD, "--set", "never")
    assert code == 10
    assert out.startswith("core: The load is not carried through.")
    assert "load lost" in out
    assert "Not checked:" in out
    assert "qualified people" in out


def test_a_scenario_file_and_an_option_that_wins(plan: Run, tmp_path: Path) -> None:
    file = tmp_path / "scenario.json"
    file.write_text(json.dumps({"outages": [{"from_s": 60, "for_s": 30}], "generator": {"case": "never"}}))
    _, out, _ = plan(*LOAD, "--scenario", str(file), "--json")
    assert next(h for h in json.loads(out)["happenings"] if h["what"] == "mains back")["median_s"] == 90.0
    _, out, _ = plan(*LOAD, "--scenario", str(file), "--back-after", "45", "--json")
    assert next(h for h in json.loads(out)["happenings"] if h["what"] == "mains back")["median_s"] == 45.0


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        (("--load", "x"), "--load"),
        (("--load", "-5"), "--load"),
        ((*LOAD, "--shed", "network"), "--shed"),
        ((*LOAD, "--shed", "nothing@60"), "load groups"),
        ((*LOAD, "--unit-out", "nothing"), "units_out"),
        ((*LOAD, "--at-try", "99"), "at_try"),
        ((*LOAD, "--scenario", "absent.json"), "absent.json"),
    ],
)
def test_a_wrong_question_ends_in_one_sentence(plan: Run, arguments: tuple[str, ...], word: str) -> None:
    code, out, err = plan(*arguments)
    assert (code, out) == (2, "")
    assert word in err
    assert len(err.splitlines()) == 1


def test_a_system_that_is_not_there(plan: Run) -> None:
    code, _, err = plan(*LOAD, system="nowhere")
    assert code == 2
    assert "core" in err


def test_an_empty_data_folder_cannot_be_read(plan: Run, tmp_path: Path) -> None:
    code, _, err = plan("--data", str(tmp_path / "none"))
    assert code == 3
    assert "no readings are stored" in err


AT = datetime(2026, 11, 24, 12, 0, tzinfo=UTC)


def carrying(unit: str, source: int = 3, at: datetime = AT) -> WireReading:
    """Return a reading of a unit that carries 1.5 kW on each line; source 5 is its bank."""
    lines = {
        f"{name}.{line}": value
        for line in (1, 2, 3)
        for name, value in (
            ("upsOutputVoltage", 230),
            ("upsOutputCurrent", 70),
            ("upsOutputPower", 1500),
        )
    }
    wire = {"upsOutputSource": source, "upsOutputNumLines": 3, "upsBatteryTemperature": 22, **lines}
    return WireReading(unit, Stamp(at, 1.0, "run"), 5.0, "standard", wire)


def store(
    folder: Path,
    units: tuple[str, ...] = ("core-1", "core-2"),
    *,
    record: PeakRecord | None = None,
    source: int = 3,
    at: datetime = AT,
) -> None:
    """Keep one reading of each unit, and the record of the core's load where there is one."""

    async def kept() -> None:
        make_folder(folder)
        async with SqliteHistory(folder / "history.sqlite", CardMeaning(lambda _: None)) as history:
            await history.append([carrying(unit, source, at) for unit in units])
        if record is not None:
            body = {"core": base64.b64encode(record.snapshot()).decode("ascii")}
            async with Ledger(folder / "ledger.sqlite") as ledger, ledger.transaction() as tx:
                tx.save_snapshot(Snapshot("peaks", AT, "peaks/2", body))

    asyncio.run(kept())


def test_on_stored_readings(plan: Run, tmp_path: Path) -> None:
    folder = tmp_path / "data"
    store(folder)
    code, out, err = plan("--data", str(folder), "--set", "never", "--json")
    assert err == ""
    found = json.loads(out)
    assert found["played_on"] == "the readings of 24 Nov 2026, 12:00:00 at the site"
    assert (code, found["verdict"]) == (10, "inadequate")
    assert found["hold_up"]["high_s"] > 0


def test_a_plan_on_readings_that_are_old_or_of_an_outage_says_so(plan: Run, tmp_path: Path) -> None:
    folder = tmp_path / "data"
    store(folder, source=5, at=datetime.now(UTC) - timedelta(hours=2, minutes=3))
    _, out, _ = plan("--data", str(folder))
    assert "Its readings are 2.0 h old: what has changed since is not in it." in out
    assert "Unit core-1, core-2 were on battery when read" in out
    _, out, _ = plan("--data", str(folder), "--json")
    assert len(json.loads(out)["cautions"]) == 2


def test_day_and_clock_of_a_named_start_are_those_of_the_site(plan: Run) -> None:
    # the example's site is in London, an hour ahead of UTC in July; the generator is on the load 95 s after the start
    arguments = (*LOAD, "--starts-at", "2027-07-14T23:59:00Z", "--banks", "full")
    _, out, _ = plan(*arguments)
    assert "Starts on Thu 15 Jul 2027, 00:59:00 (Europe/London)." in out
    (line,) = [x for x in out.splitlines() if x.endswith("generator takes the load")]
    assert "01:00:35" in line
    (line,) = [x for x in out.splitlines() if x.endswith("fuel is out")]  # 20 h later
    assert "21:00:35" in line
    _, out, _ = plan(*arguments, "--json")
    assert json.loads(out)["starts_at"] == "2027-07-14T23:59:00+00:00"


def test_a_start_now_has_the_day_too_and_what_falls_on_the_next_says_which(plan: Run) -> None:
    _, out, _ = plan(*LOAD, "--back-after", "172000", "--set", "never")
    assert "Times by the clock: if it starts now, " in out
    (line,) = [x for x in out.splitlines() if x.endswith("mains back")]
    after = datetime.now(ZoneInfo("Europe/London")) + timedelta(seconds=172_000)
    assert f"{after:%a %d %b}" in line


def test_where_an_influxdb_server_is_chosen_it_is_asked(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    estate, folder = tmp_path / "estate.toml", tmp_path / "data"
    chosen = f'store = "influxdb"\nurl = "http://127.0.0.1:{free_port()}"\ndatabase = "yard"'
    estate.write_text(Path(ESTATE).read_text("utf-8").replace('store = "sqlite"', chosen), "utf-8")
    shutil.copy(Path(ESTATE).with_name("example-secrets.toml"), tmp_path)
    for command in (["plan", str(estate), "--system", "core"], ["report", str(estate), "estate"]):
        assert main([*command, "--data", str(folder)]) == 3
        assert "no collector's folder" in capsys.readouterr().err
    store(folder, record=PeakRecord((1, 2, 3)))  # a ledger, and a local file of before
    for command in (["plan", str(estate), "--system", "core"], ["report", str(estate), "estate"]):
        assert main([*command, "--data", str(folder)]) == 3
        assert "InfluxDB did not answer" in capsys.readouterr().err


def test_a_given_load_on_the_banks_as_they_are_judged(plan: Run, tmp_path: Path) -> None:
    folder = tmp_path / "data"
    store(folder)
    arguments = ("--load", "6000,6000,6000", "--set", "never", "--json")
    _, alone, _ = plan(*arguments)
    _, out, _ = plan(*arguments, "--data", str(folder))
    by_age, judged = json.loads(alone), json.loads(out)
    assert by_age["played_on"] == "a given load of 18.0 kW; banks by table and age alone"
    assert judged["played_on"] == "a given load of 18.0 kW; banks as judged from what is stored"
    assert judged["load"]["power_w"] == 18_000.0
    assert judged["hold_up"] != by_age["hold_up"]  # the bank was read at 22 degC in November 2026


def test_without_a_system_all_are_played_and_progress_goes_to_standard_error(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    invented = SimScenario(7, AT)
    secrets, estate, folder = tmp_path / "secrets.toml", tmp_path / "estate.toml", tmp_path / "data"
    secrets.write_text(invented.secrets_text())
    secrets.chmod(0o600)
    estate.write_text(
        invented.estate_text({card: f"snmp://127.0.0.1:{n}" for n, card in enumerate(cards(), 1024)})
    )
    read = next(iter(cards().values()))
    store(folder, tuple(u.unit for u in cards().values() if u.system == read.system))
    code = main(["plan", str(estate), "--data", str(folder), "--set", "never", "--json"])
    out, err = capsys.readouterr()
    found = json.loads(out)
    verdicts = {item["system"]: item["verdict"] for item in found["items"]}
    assert set(verdicts) == {u.system for u in cards().values()}
    assert verdicts.pop(read.system) == found["verdict"] == "inadequate"
    assert set(verdicts.values()) == {"cannot_tell"}  # nothing of the others is stored
    assert code == 10
    assert f"1 of 3: playing {read.system}" in err.splitlines()
    assert main(["plan", str(estate), "--data", str(folder), "--set", "never"]) == 10
    text = capsys.readouterr().out
    assert all(f"{name}: " in text for name in verdicts)


def test_one_load_is_not_that_of_all_systems(plan: Run) -> None:
    code, _, err = plan(*LOAD, system=None)
    assert code == 2
    assert "--system" in err


def test_a_named_time_is_played_on_the_load_of_its_hour(plan: Run, tmp_path: Path) -> None:
    folder = tmp_path / "data"
    record = PeakRecord((1, 2, 3))
    for quarter in range(29 * 96):
        lines = tuple(LineLoad(n, 5000.0, 5300.0) for n in (1, 2, 3))
        record.add_quarter(AT - timedelta(days=29) + timedelta(minutes=15 * quarter), Load(None, None, lines))
    store(folder, record=record)
    arguments = ("--data", str(folder), "--set", "never", "--back-after", "600", "--json")
    _, out, _ = plan(*arguments, "--starts-at", "2026-11-26T14:00")
    found = json.loads(out)
    assert found["load"]["basis"] == "record"
    assert found["load"]["power_w"] == pytest.approx(15_000.0, rel=1e-3)
    _, out, _ = plan(*arguments)
    assert json.loads(out)["load"] == {"basis": "now", "power_w": 9000.0, "low_w": None, "high_w": None}


async def keep_signed(folder: Path) -> str:
    """Sign a shutdown of the example's system in a data folder; return its mark."""
    plan = replace(invented(), system="core")
    make_folder(folder)
    line = SignedLine(
        plan.digest, "core", plan.starts_at, plan.signed_at, plan.signed_by, body=to_plain(plan)
    )
    async with Ledger(folder / "ledger.sqlite") as ledger, ledger.transaction() as tx:
        tx.add_signed(line)
    return plan.digest


def test_signed_shutdowns_are_printed_as_sheets_with_their_criteria_and_the_safety_words(
    plan: Run, tmp_path: Path
) -> None:
    mark = asyncio.run(keep_signed(tmp_path / "data"))
    code, out, _ = plan("--signed", "--data", "data")
    assert code == 0
    assert f"mark {mark}" in out
    assert "Sat 12 Dec 2026 08:00:00" in out
    assert "What for: periodic test" in out
    assert "the load is over 12.3 kW" in out  # 11.2 kW and 10 %
    assert "less than 2.0 min are to spare" in out
    assert (
        "feed main board A off, until the generator carries" in out
    )  # what puts the load on the banks, in words
    assert "qualified people" in out
    code, out, _ = plan("--signed", "--data", "data", "--json")
    assert [found["id"] for found in json.loads(out)] == [mark]


def test_where_nothing_is_signed_that_is_said(plan: Run, tmp_path: Path) -> None:
    code, _, err = plan("--signed", "--data", "data")
    assert (code, "no ledger" in err) == (3, True)
    make_folder(tmp_path / "data")
    Ledger(tmp_path / "data" / "ledger.sqlite").database.close_now()
    code, out, _ = plan("--signed", "--data", "data")
    assert (code, out) == (0, "No shutdown is signed for core.\n")
