"""A past discharge that is brought: its time is of the site's clocks, and `import back` takes it back with what came of it."""

import asyncio
from datetime import UTC, datetime
from pathlib import Path

import pytest

from api.commands.exits import Exit
from api.commands.main import main
from collector.assessment.evidence_files import TAKEN_BACK
from collector.storage.data_folder import LEDGER_FILE
from collector.storage.ledger import Ledger
from collector.storage.ledger.discharge_record import shown_id
from collector.storage.ledger.records import Evidence

EXAMPLE = str(Path(__file__).parents[3] / "deploy" / "example-estate.toml")


def log(path: Path) -> str:
    rows = ["t_s,bank_voltage_v,bank_current_a,temperature_c,output_power_w"]
    rows += [
        f"{t},{240 * (2.0 - 0.06 * t / 900):.1f},{4700.0 / 475.0:.2f},25,4380" for t in range(0, 900, 10)
    ]
    path.write_text("\n".join(rows) + "\n", "utf-8")
    return str(path)


def evidence(folder: Path) -> tuple[Evidence, ...]:
    async def read() -> tuple[Evidence, ...]:
        async with Ledger(folder / LEDGER_FILE) as ledger:
            return tuple(await ledger.evidence("bank-1"))

    return asyncio.run(read())


@pytest.mark.parametrize(
    ("at", "utc"),
    [
        ("2024-07-01T09:00", datetime(2024, 7, 1, 8, tzinfo=UTC)),
        ("2024-01-10T09:00", datetime(2024, 1, 10, 9, tzinfo=UTC)),
        ("2024-07-01T09:00:00Z", datetime(2024, 7, 1, 9, tzinfo=UTC)),
        ("2024-07-01T09:00:00+05:00", datetime(2024, 7, 1, 4, tzinfo=UTC)),
    ],
)
def test_a_time_without_a_zone_is_of_the_clocks_on_the_bank_s_wall(
    at: str, utc: datetime, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data = tmp_path / "data"
    arguments = ("--bank", "bank-1", "--at", at, "--by", "Ada", "--estate", EXAMPLE, "--data", str(data))
    assert main(["import", "discharge", log(tmp_path / "log.csv"), *arguments]) == Exit.DONE
    (line,) = evidence(data)
    assert line.at == utc
    assert f"(Europe/London; {utc:%Y-%m-%d %H:%M} UTC)" in capsys.readouterr().out


def test_a_log_that_was_wrong_is_taken_back_with_what_it_showed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data = tmp_path / "data"
    arguments = (
        "--bank",
        "bank-1",
        "--at",
        "2024-07-01",
        "--by",
        "Ada",
        "--estate",
        EXAMPLE,
        "--data",
        str(data),
    )
    assert main(["import", "discharge", log(tmp_path / "log.csv"), *arguments]) == Exit.DONE
    (line,) = evidence(data)
    assert f"import back {line.id}" in capsys.readouterr().out

    async def show() -> int:
        async with Ledger(data / LEDGER_FILE) as ledger:
            async with ledger.transaction() as tx:
                shown = Evidence(shown_id(line.id), "bank-1", "import", line.at, line.until, schema="shown/1")
                tx.save_evidence(shown)
            return (await ledger.brought_after(0))[0]

    newest = asyncio.run(show())
    back = ("--by", "R. Haugen", "--data", str(data))
    assert main(["import", "back", "bank-1-imp", *back]) == Exit.WRONG_INPUT
    assert f"{line.id}: a past discharge of bank bank-1" in capsys.readouterr().err
    assert main(["import", "back", line.id, *back, "--look"]) == Exit.DONE
    assert len(evidence(data)) == 2
    assert main(["import", "back", line.id, *back]) == Exit.DONE
    (left,) = evidence(data)
    assert (left.id, left.schema, left.author) == (line.id, TAKEN_BACK, "R. Haugen")
    assert left.body["brought_by"] == "Ada"

    async def heard() -> frozenset[str]:
        async with Ledger(data / LEDGER_FILE) as ledger:
            return (await ledger.brought_after(newest))[1]

    assert asyncio.run(heard()) == {"bank-1"}, "a running service judges it anew"
    assert main(["import", "back", line.id, *back]) == Exit.WRONG_INPUT, "it is back already"
    assert main(["import", "discharge", log(tmp_path / "log.csv"), *arguments]) == Exit.DONE
    (again,) = evidence(data)
    assert again.schema == line.schema
