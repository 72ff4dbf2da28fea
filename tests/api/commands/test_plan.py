"""`ridethrough plan`: on a given load, on stored readings, and how a wrong question is refused."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from api.command import main
from collector.database import make_folder
from collector.history.sqlite import SqliteHistory
from collector.history.store import WireReading
from collector.snmp.meaning import CardMeaning
from rules.reading import Stamp

ESTATE = str(Path(__file__).parents[3] / "deploy" / "example-estate.toml")
LOAD = ("--load", "1500,1500,1500")

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def plan(capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    monkeypatch.chdir(tmp_path)

    def run(*arguments: str, system: str = "core") -> tuple[int, str, str]:
        code = main(["plan", ESTATE, "--system", system, *arguments])
        captured = capsys.readouterr()
        return code, captured.out, captured.err

    return run


def test_a_short_outage_without_the_set(plan: Run) -> None:
    code, out, _ = plan(*LOAD, "--set", "never", "--back-after", "5", "--banks", "full", "--json")
    found: dict[str, Any] = json.loads(out)
    assert (code, found["verdict"]) in {(0, "adequate"), (10, "inadequate")}
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


def test_on_stored_readings(plan: Run, tmp_path: Path) -> None:
    folder = tmp_path / "data"
    at = datetime(2026, 11, 24, 12, 0, tzinfo=UTC)

    async def store() -> None:
        make_folder(folder)
        async with SqliteHistory(folder / "history.sqlite", CardMeaning(lambda _: None)) as history:
            lines = {
                f"{name}.{line}": value
                for line in (1, 2, 3)
                for name, value in (
                    ("upsOutputVoltage", 230),
                    ("upsOutputCurrent", 70),
                    ("upsOutputPower", 1500),
                )
            }
            wire = {"upsOutputSource": 3, "upsOutputNumLines": 3, "upsBatteryTemperature": 22, **lines}
            batch = [
                WireReading(u, Stamp(at, 1.0, "run"), 5.0, "standard", wire) for u in ("core-1", "core-2")
            ]
            await history.append(batch)

    asyncio.run(store())
    code, out, err = plan("--data", str(folder), "--set", "never", "--json")
    assert err == ""
    found = json.loads(out)
    assert found["played_on"] == "the readings of 24 Nov 2026 12:00:00 UTC"
    assert (code, found["verdict"]) == (10, "inadequate")
    assert found["hold_up"]["high_s"] > 0
