"""History and ledger of one folder: neither can be lost, emptied or put back unnoticed, and no kill looks like it."""

from __future__ import annotations

import argparse
import asyncio
import os
import random
import shutil
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest

from api.commands.data.replaced import keep
from api.commands.exits import Exit
from collector.configuration import load_text
from collector.read_model.stored import StoredEstate
from collector.storage.data_folder import HISTORY_FILE, LEDGER_FILE
from collector.storage.database import Database, StoreError, StoreFault
from collector.storage.folder_lock import LOCK_FILE, held
from collector.storage.history.tables.schema import STEPS
from collector.storage.ledger import Ledger
from collector.storage.ledger.records import JournalLine
from collector.storage.ledger.schema import STEPS as LEDGER_STEPS
from collector.storage.maintenance.backup import backup, rescue, restore, verify
from collector.storage.partner import PartnerLoss, counted, join, known, losses, refuse
from collector.storage.store_files import opened, whole
from tests.api.test_service_http import ESTATE, SECRETS
from tests.collector.storage.partner_checks import lost_in as found
from tests.collector.storage.partner_checks import refused_until_accepted

ROOT = Path(__file__).resolve().parents[3]
TEXT = "INSERT INTO texts (kind, value) VALUES (0, randomblob(16))"
LINE = "INSERT INTO snapshots VALUES (hex(randomblob(8)), 1, '', '{}', 1)"


def started(folder: Path, accepted: str | None = None, commits: int = 5) -> None:
    """Start as the service does, commit a few times to each store, and end."""
    anew = refuse(folder, losses(folder, opened), accepted)
    ledger = Ledger(folder / LEDGER_FILE).database
    history = Database(folder / HISTORY_FILE, STEPS)
    history.sealing = counted
    try:
        join(history, ledger, anew=anew)
        for _ in range(commits):
            history.write_now(lambda connection: connection.execute(TEXT))
            ledger.write_now(lambda connection: connection.execute(LINE))
    finally:
        history.close_now()
        ledger.close_now()


def gone(folder: Path, name: str) -> None:
    for path in folder.glob(f"{name}*"):
        path.unlink()


def emptied_ledger(folder: Path) -> None:
    gone(folder, LEDGER_FILE)
    Ledger(folder / LEDGER_FILE).database.close_now()


def emptied_history(folder: Path) -> None:
    gone(folder, HISTORY_FILE)
    Database(folder / HISTORY_FILE, STEPS).close_now()


def older(name: str) -> Callable[[Path], None]:
    def put_back(folder: Path) -> None:
        copy = folder.with_name("copy")
        shutil.copytree(folder, copy)
        started(folder)
        gone(folder, name)
        shutil.copy(copy / name, folder / name)

    return put_back


def of_another_folder(folder: Path) -> None:
    another = folder.with_name("another")
    another.mkdir()
    started(another, commits=50)
    gone(folder, LEDGER_FILE)
    shutil.copy(another / LEDGER_FILE, folder / LEDGER_FILE)


def hollow_ledger(folder: Path) -> None:
    gone(folder, LEDGER_FILE)
    (folder / LEDGER_FILE).touch()


LOST: dict[str, tuple[Callable[[Path], None], str]] = {
    "the ledger is gone": (lambda folder: gone(folder, LEDGER_FILE), "ledger"),
    "the ledger is empty": (emptied_ledger, "ledger"),
    "the ledger's file has nothing in it": (hollow_ledger, "ledger"),
    "the ledger is older": (older(LEDGER_FILE), "ledger"),
    "the ledger is another's": (of_another_folder, "ledger"),
    "the history is gone": (lambda folder: gone(folder, HISTORY_FILE), "history"),
    "the history is empty": (emptied_history, "history"),
    "the history is older": (older(HISTORY_FILE), "history"),
}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "data"
    made.mkdir()
    started(made)
    return made


@pytest.mark.parametrize("case", LOST)
def test_a_store_that_is_not_what_its_partner_knows_is_refused_until_it_is_accepted(
    folder: Path, case: str
) -> None:
    lose, store = LOST[case]
    refused_until_accepted(folder, started, lose, store, {"ledger": "history", "history": "ledger"}[store])


def test_a_folder_that_was_never_started_and_one_of_an_earlier_program_are_joined(tmp_path: Path) -> None:
    new, earlier = tmp_path / "new", tmp_path / "earlier"
    for path in (new, earlier):
        path.mkdir()
    Database(earlier / HISTORY_FILE, STEPS[:2]).close_now()
    Database(earlier / LEDGER_FILE, LEDGER_STEPS[:-1]).close_now()
    with closing(sqlite3.connect(earlier / HISTORY_FILE)) as history:
        history.execute("INSERT INTO units (name, first_at) VALUES ('A1', 0)")
        history.execute("INSERT INTO texts (kind, value) VALUES (0, CAST('start' AS BLOB))")
        history.commit()
    for path in (new, earlier):
        assert found(path) == []
        started(path)
        assert found(path) == []
    told = "\n".join(map(str, verify(earlier).findings))
    assert "table units" not in told  # names of before have checksums now
    assert "table texts, row 1:" not in told


def test_an_earlier_programs_folder_without_its_ledger_is_refused(tmp_path: Path) -> None:
    Database(tmp_path / HISTORY_FILE, STEPS[:2]).close_now()
    with closing(sqlite3.connect(tmp_path / HISTORY_FILE)) as history:
        history.execute("INSERT INTO units (name, first_at) VALUES ('A1', 0)")
        history.commit()
    assert found(tmp_path) == ["ledger"]


def test_a_backup_of_a_folder_in_use_is_whole_though_its_files_are_copied_one_after_the_other(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Between the two copies both stores go on; what is put back starts without a question, also over the old folder."""
    from collector.storage.maintenance import backup as upkeep

    copied = upkeep._copied

    def slowly(source: Path, target: Path) -> None:
        copied(source, target)
        started(folder)

    monkeypatch.setattr(upkeep, "_copied", slowly)
    backup(folder, tmp_path / "backup")
    monkeypatch.undo()
    assert found(folder) == []
    restore(tmp_path / "backup", tmp_path / "again")
    assert found(tmp_path / "again") == []
    started(tmp_path / "again")
    gone(folder, LEDGER_FILE)  # one of the two alone is older than its partner
    shutil.copy(tmp_path / "backup" / LEDGER_FILE, folder / LEDGER_FILE)
    assert found(folder) == ["ledger"]


def test_a_backup_of_a_folder_with_a_loss_shows_it(folder: Path, tmp_path: Path) -> None:
    emptied_ledger(folder)
    backup(folder, tmp_path / "backup")
    assert found(tmp_path / "backup") == ["ledger"]


def test_what_was_rescued_starts_without_a_question(folder: Path, tmp_path: Path) -> None:
    rescue(folder, tmp_path / "rescued")
    assert found(tmp_path / "rescued") == []
    started(tmp_path / "rescued")
    assert found(tmp_path / "rescued") == []


def test_a_start_cut_off_anywhere_is_gone_on_with(tmp_path: Path) -> None:
    """The history's row alone, of a first start and of one that accepted a loss: neither is a loss."""
    for number in range(2):
        folder = tmp_path / str(number)
        folder.mkdir()
        if number:
            started(folder)
        ledger, history = Ledger(folder / LEDGER_FILE).database, Database(folder / HISTORY_FILE, STEPS)
        history.write_now(lambda c: c.execute("INSERT OR REPLACE INTO partner VALUES (1, 'begun', 9, 0)"))
        history.close_now()
        ledger.close_now()
        assert found(folder) == []
        started(folder)
        assert found(folder) == []
        with closing(opened(folder / LEDGER_FILE)) as connection:
            said = known(connection)
        assert said is not None
        assert said.folder == "begun"


def killed_after(folder: Path, wait_s: float) -> None:
    """Let another process write to both stores, and kill it so many seconds after it began to open them."""
    process = subprocess.Popen(
        [sys.executable, str(Path(__file__).with_name("partner_writer.py")), str(folder)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, cwd=ROOT, env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    assert process.stdin is not None
    assert process.stdout is not None
    try:
        assert process.stdout.readline() == b"ready\n"
        process.stdin.write(b"go\n")
        process.stdin.flush()
        assert process.stdout.readline() == b"goes\n"
        time.sleep(wait_s)
        assert process.poll() is None
    finally:
        process.kill()
        process.wait(10)
        process.stdin.close()
        process.stdout.close()


def kills(folder: Path, count: int, seed: int) -> None:
    """Kill a writer so many times, half of them while it opens and joins the stores; nothing is ever a loss."""
    chance = random.Random(seed)
    for number in range(count):
        place = folder if number % 2 else folder / f"new-{number}"
        place.mkdir(exist_ok=True)
        killed_after(place, chance.uniform(0.0, 0.3) if number % 2 else chance.uniform(0.0, 0.05))
        assert losses(place, opened) == (), number
        started(place, commits=1)
        assert losses(place, opened) == (), number


def test_no_kill_looks_like_a_loss(tmp_path: Path) -> None:
    kills(tmp_path, 8, seed=1)


# --- the lock -------------------------------------------------------------------------------------------------


def test_a_second_service_is_refused_by_the_number_of_the_first_and_let_in_when_it_has_ended(
    tmp_path: Path,
) -> None:
    holder = subprocess.Popen(
        [
            sys.executable, "-c",
            "import sys; from pathlib import Path; from collector.storage.folder_lock import held\n"
            "with held(Path(sys.argv[1])):\n print('held', flush=True); sys.stdin.read()", str(tmp_path),
        ],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, cwd=ROOT, env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    assert holder.stdin is not None
    assert holder.stdout is not None
    try:
        assert holder.stdout.readline() == b"held\n"
        with pytest.raises(StoreError, match=f"process {holder.pid}") as refused, held(tmp_path):
            pass
        assert refused.value.fault is StoreFault.IN_USE
    finally:
        holder.kill()  # however it ends
        holder.wait(10)
        holder.stdin.close()
        holder.stdout.close()
    with held(tmp_path):
        assert (tmp_path / LOCK_FILE).read_text() == f"{os.getpid()}\n"
        assert (tmp_path / LOCK_FILE).stat().st_mode & 0o777 == 0o600


def test_the_sentence_names_both_sides() -> None:
    with pytest.raises(StoreError, match="put back the one that is missing"):
        refuse(Path("/nowhere"), (PartnerLoss("history", "it is gone"),), "ledger")
    assert refuse(Path("/nowhere"), (), "ledger") is False  # nothing is lost: nothing is begun anew


@pytest.mark.parametrize("damage", [lambda f: gone(f, LEDGER_FILE), emptied_ledger, emptied_history])
def test_who_reads_or_writes_beside_the_service_refuses_a_loss_and_puts_nothing_in_its_place(
    tmp_path: Path, damage: Callable[[Path], None]
) -> None:
    folder = tmp_path / "data"
    folder.mkdir()
    started(folder)
    whole(folder)
    damage(folder)
    before = {path.name: path.stat().st_size for path in folder.iterdir()}
    secrets = tmp_path / "secrets.toml"
    secrets.write_text(SECRETS, "utf-8")
    secrets.chmod(0o600)
    configuration = load_text(ESTATE, tmp_path / "estate.toml")

    async def read() -> None:
        async with StoredEstate(configuration, folder):
            raise AssertionError("it was opened")

    with pytest.raises(StoreError, match="--accept-loss"):
        asyncio.run(read())
    options = argparse.Namespace(data=folder)
    assert (
        keep(options, lambda tx: tx.add_event(JournalLine(datetime.now(UTC), "visit", None, "Seen.")))
        == Exit.UNREACHABLE
    )
    assert {path.name: path.stat().st_size for path in folder.iterdir()} == before
