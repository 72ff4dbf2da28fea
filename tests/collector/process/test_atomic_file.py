"""A file is there whole or not at all, and what its name points to is what is written."""

import sys
from contextlib import suppress
from pathlib import Path
from subprocess import run

from collector.process.atomic_file import whole_file


def test_what_stood_there_stays_until_all_is_written(tmp_path: Path) -> None:
    target = tmp_path / "out.csv"
    target.write_text("before")
    with suppress(ZeroDivisionError), whole_file(target) as part:
        part.write_text("half")
        raise ZeroDivisionError
    assert target.read_text() == "before"
    with whole_file(target) as part:
        part.write_text("whole")
    assert target.read_text() == "whole"
    assert list(tmp_path.iterdir()) == [target]


def test_a_link_stays_one_and_a_file_named_like_ours_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir()
    true, link = tmp_path / "elsewhere" / "true.csv", tmp_path / "out.csv"
    link.symlink_to(true)
    (tmp_path / "elsewhere" / "true.csv.part").write_text("somebody's")
    with whole_file(link) as part:
        part.write_text("whole")
    assert link.is_symlink()
    assert true.read_text() == "whole"
    assert (tmp_path / "elsewhere" / "true.csv.part").read_text() == "somebody's"


def test_standard_output_led_to_a_file_is_written_to(tmp_path: Path) -> None:
    script = """
from pathlib import Path
from collector.process.atomic_file import whole_file
with whole_file(Path("/dev/stdout")) as part:
    part.write_text("whole")
"""
    with (tmp_path / "out.csv").open("wb") as out:
        run([sys.executable, "-c", script], stdout=out, check=True, timeout=60)
    assert (tmp_path / "out.csv").read_text() == "whole"
    assert Path("/dev/stdout").is_symlink()
