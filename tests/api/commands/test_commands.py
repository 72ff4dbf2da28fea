"""The command line: light starts, help for each, exit codes, one clear sentence for each mistake."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from api.commands.main import COMMANDS, build_parser, main

ROOT = Path(__file__).resolve().parents[3]
EXAMPLE = ROOT / "deploy" / "example-estate.toml"


def run(*arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
    code = "import sys; from api.commands.main import main; sys.exit(main())"
    return subprocess.run(
        [sys.executable, "-c", code, *arguments],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        env={**os.environ, "PYTHONPATH": str(ROOT), **environment},
    )


def test_help_check_and_probe_start_light() -> None:
    heavy = ("scipy", "fastapi", "pysnmp", "influxdb_client", "uvicorn", "aiomqtt")
    code = (
        "import sys, contextlib, io\n"
        "from api.commands.main import main\n"
        "with contextlib.redirect_stdout(io.StringIO()), contextlib.suppress(SystemExit):\n"
        "    main(['--help'])\n"
        "print([m for m in sys.modules if m.startswith(('api.commands.', 'rules', 'collector'))])\n"
        f"main(['check', {str(EXAMPLE)!r}])\n"
        "main(['probe', 'snmp://127.0.0.1:9', '--deadline', '0.1'])\n"
        f"print([m for m in {heavy!r} if m in sys.modules])\n"
        "import collector.service.stores\n"  # who keeps readings in a file of its own needs no server's client
        "print('influxdb_client' in sys.modules)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, timeout=60, check=True
    )
    told = done.stdout.splitlines()
    assert told[0] == "['api.commands.exits', 'api.commands.main']", "help of the whole needs no command"
    assert told[-2:] == ["[]", "False"]


@pytest.mark.parametrize("command", sorted(COMMANDS))
def test_every_command_has_help(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stopped:
        main([command, "--help"])
    assert stopped.value.code == 0
    assert COMMANDS[command][1:20] in capsys.readouterr().out


def test_every_command_stands_in_the_readme_or_the_guide() -> None:
    text = (ROOT / "README.md").read_text("utf-8") + (ROOT / "DEVELOPERS.md").read_text("utf-8")
    assert [name for name in COMMANDS if f"`{name}`" not in text and f"ridethrough {name}" not in text] == []


def test_every_option_has_help() -> None:
    import argparse

    parser = build_parser()
    groups = next(a for a in parser._actions if isinstance(a, argparse._SubParsersAction))
    silent = [f"{name} {a.dest}" for name, sub in groups.choices.items() for a in sub._actions if not a.help]
    assert silent == []


def test_a_wrong_estate_file_names_every_fault_and_exits_with_2(tmp_path: Path) -> None:
    wrong = tmp_path / "estate.toml"
    wrong.write_text('[[site]]\nid = "a"\nnme = "A"\ntime_zone = "Nowhere/None"\n', "utf-8")
    done = run("check", str(wrong))
    assert done.returncode == 2
    told = done.stderr.splitlines()
    faults = [line for line in told if not line.startswith("warning: ")]
    assert any(line.startswith(f"warning: {wrong}: watch.box_fed_by: want ") for line in told)
    assert all(line.split(": ", 2)[2].startswith("want ") for line in faults)
    assert any("'name'" in line and line.endswith("got 'nme'") for line in faults)
    assert any(line.startswith(f"{wrong}:4: site.a.time_zone: want") for line in faults)
    assert done.stdout == ""


def test_a_missing_estate_file_is_one_sentence(tmp_path: Path) -> None:
    done = run("run", str(tmp_path / "none.toml"))
    assert done.returncode == 2
    assert len(done.stderr.splitlines()) == 1


def test_the_example_is_in_order() -> None:
    done = run("check", str(EXAMPLE))
    assert done.returncode == 0, done.stderr
    assert "in order" in done.stdout


def test_an_unreachable_card_exits_with_3() -> None:
    done = run("probe", "snmp://127.0.0.1:9", "--deadline", "0.2")
    assert done.returncode == 3
    assert "127.0.0.1" in done.stderr
    assert len(done.stderr.splitlines()) == 1


@pytest.mark.parametrize(
    "arguments",
    [
        ("probe", "http://127.0.0.1"),
        ("probe", "snmp://127.0.0.1", "--user", "u", "--auth", "sha256"),
        ("probe", "snmp://127.0.0.1", "--user", "u", "--community", "c"),
        ("survey", "10.0.0.0/8"),
        ("run",),
        ("nonsense",),
    ],
)
def test_wrong_use_exits_with_2(arguments: tuple[str, ...]) -> None:
    assert run(*arguments).returncode == 2


def test_only_loopback_is_served(tmp_path: Path) -> None:
    done = run("demo", "--host", "0.0.0.0", "--data", str(tmp_path))
    assert done.returncode == 2
    assert "loopback" in done.stderr


def test_a_port_in_use_is_one_sentence(tmp_path: Path) -> None:
    import socket

    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = str(taken.getsockname()[1])
        done = run("demo", "--port", port, "--data", str(tmp_path))
    assert done.returncode == 2
    assert port in done.stderr
    assert len(done.stderr.splitlines()) == 1


def test_verify_of_a_folder_without_stores_says_so(tmp_path: Path) -> None:
    done = run("verify", "--data", str(tmp_path))
    assert done.returncode == 3
    assert str(tmp_path) in done.stderr


def test_a_corrupt_store_is_found_and_named(tmp_path: Path) -> None:
    (tmp_path / "history.sqlite").write_bytes(b"this is no database" * 1000)
    done = run("verify", "--data", str(tmp_path))
    assert done.returncode == 10
    assert "history.sqlite" in done.stdout


def test_a_replacement_is_recorded_and_the_lines_to_change_printed(tmp_path: Path) -> None:
    from collector.configuration import load

    bank = next(iter(load(EXAMPLE).estate.banks))
    done = run(
        "replaced", bank, "--by", "A. Person", "--on", "2026-03-01",
        "--estate", str(EXAMPLE), "--data", str(tmp_path),
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "until = 2026-03-01" in done.stdout
    listed = tmp_path / "ledger.jsonl"
    assert run("export", str(listed), "--form", "ledger", "--data", str(tmp_path)).returncode == 0
    events = [json.loads(line) for line in listed.read_text("utf-8").splitlines()]
    assert [e["about"] for e in events if e["table"] == "equipment"] == [bank]


def test_check_names_the_units_whose_card_nobody_confirmed(tmp_path: Path) -> None:
    quiet = run("check", str(EXAMPLE))
    asked = run("check", str(EXAMPLE), "--data", str(tmp_path))
    assert asked.returncode == 0
    assert "nobody has confirmed" not in quiet.stderr
    assert "nobody has confirmed at the cabinet" in asked.stderr
