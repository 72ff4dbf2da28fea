"""The estate file read again by a running service says what `check` says of it."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from api.commands.main import main
from api.rereading import read_again
from collector.configuration import load

DEPLOY = Path(__file__).resolve().parents[2] / "deploy"


async def test_what_check_finds_is_said_of_a_file_that_is_taken_over(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file, day = tmp_path / "mine.toml", (datetime.now(UTC) + timedelta(days=1500)).date()
    text = (DEPLOY / "example-estate.toml").read_text("utf-8")
    (tmp_path / "example-secrets.toml").write_bytes((DEPLOY / "example-secrets.toml").read_bytes())
    (tmp_path / "example-secrets.toml").chmod(0o600)
    file.write_text(text, "utf-8")
    running = load(file)
    assert (await read_again(running)).said == (
        f"{file} was read again: it says what the running service was started with.",
    )
    set_at = text.index("rating_w", text.index("[[generator]]"))
    small = text[:set_at] + "rating_w = 9000 #" + text[set_at + len("rating_w") :]
    file.write_text(small.replace("from = 2023-09-03", f"from = {day}"), "utf-8")
    found = await read_again(running)
    assert found.good
    assert found.following is not None
    assert main(["check", str(file)]) == 2
    checked = {line.removeprefix("warning: ") for line in capsys.readouterr().err.splitlines()}
    assert len(checked) >= 2, "a day to come, and a generator smaller than its load"
    assert {line.removeprefix("warning: ") for line in found.said if line.startswith("warning: ")} == checked
