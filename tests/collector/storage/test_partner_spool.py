"""The spool and the ledger of a folder whose readings a server keeps: what waits for the server is lost by nobody unseen."""

from __future__ import annotations

import asyncio
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from collector.storage.data_folder import HISTORY_FILE, LEDGER_FILE, SPOOL_FILE
from collector.storage.database import Database
from collector.storage.history.influx.spool import STEPS, Spool, row_of
from collector.storage.ledger import Ledger
from collector.storage.maintenance.backup import backup, rescue, restore
from collector.storage.partner import WITH_HISTORY, WITH_SPOOL, join, losses, refuse
from collector.storage.store_files import opened
from tests.collector.storage.partner_checks import lost_in as found
from tests.collector.storage.partner_checks import refused_until_accepted
from tests.collector.storage.test_partner import LINE, gone
from tests.collector.storage.test_partner import started as started_with_history

WAITS = row_of([b"reading,unit=A1 silent=true 1700000000000"])


def started(folder: Path, accepted: str | None = None, commits: int = 5) -> None:
    """Start as the service does, have readings wait and lines kept, and end."""
    anew = refuse(folder, losses(folder, opened, WITH_SPOOL), accepted)
    ledger, spool = Ledger(folder / LEDGER_FILE).database, Spool(folder / SPOOL_FILE)
    try:
        join(spool.database, ledger, anew=anew)
        for _ in range(commits):
            asyncio.run(spool.put([WAITS]))
            ledger.write_now(lambda connection: connection.execute(LINE))
    finally:
        spool.database.close_now()
        ledger.close_now()


def emptied(name: str) -> Callable[[Path], None]:
    def lose(folder: Path) -> None:
        gone(folder, name)
        if name == SPOOL_FILE:
            Database(folder / name, STEPS).close_now()
        else:
            Ledger(folder / name).database.close_now()

    return lose


def older(name: str) -> Callable[[Path], None]:
    def put_back(folder: Path) -> None:
        copy = folder.with_name("copy")
        shutil.copytree(folder, copy)
        started(folder)
        gone(folder, name)
        shutil.copy(copy / name, folder / name)

    return put_back


def of_another_service(folder: Path) -> None:
    another = folder.with_name("another")
    another.mkdir()
    started(another, commits=50)
    gone(folder, SPOOL_FILE)
    shutil.copy(another / SPOOL_FILE, folder / SPOOL_FILE)


LOST: dict[str, tuple[Callable[[Path], None], str]] = {
    "the spool is gone": (lambda folder: gone(folder, SPOOL_FILE), "spool"),
    "the spool is empty": (emptied(SPOOL_FILE), "spool"),
    "the spool is older": (older(SPOOL_FILE), "spool"),
    "the spool is another's": (of_another_service, "spool"),
    "the ledger is gone": (lambda folder: gone(folder, LEDGER_FILE), "ledger"),
    "the ledger is empty": (emptied(LEDGER_FILE), "ledger"),
    "the ledger is older": (older(LEDGER_FILE), "ledger"),
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
    refused_until_accepted(folder, started, lose, store, {"ledger": "spool", "spool": "ledger"}[store])


def test_a_folder_that_goes_from_one_kind_of_store_to_the_other_and_back_loses_nothing(
    tmp_path: Path,
) -> None:
    started_with_history(tmp_path)
    started(tmp_path)
    started_with_history(tmp_path)
    started(tmp_path)
    assert found(tmp_path) == []
    gone(tmp_path, SPOOL_FILE)  # which of the two is in use, the estate file says
    assert [loss.store for loss in losses(tmp_path, opened, WITH_SPOOL)] == ["spool"]
    assert losses(tmp_path, opened, WITH_HISTORY) == ()
    gone(tmp_path, HISTORY_FILE)
    assert [loss.store for loss in losses(tmp_path, opened, WITH_HISTORY)] == ["history"]


def test_a_backup_taken_while_both_go_on_and_what_was_rescued_start_without_a_question(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from collector.storage.maintenance import backup as upkeep

    copied = upkeep._copied

    def slowly(source: Path, target: Path) -> None:
        copied(source, target)
        started(folder)

    monkeypatch.setattr(upkeep, "_copied", slowly)
    backup(folder, tmp_path / "backup")
    monkeypatch.undo()
    restore(tmp_path / "backup", tmp_path / "again")
    rescue(folder, tmp_path / "rescued")
    for place in (tmp_path / "again", tmp_path / "rescued"):
        assert found(place) == []
        started(place)
        assert found(place) == []


def test_a_spool_and_a_ledger_of_an_earlier_program_are_joined(tmp_path: Path) -> None:
    Database(tmp_path / SPOOL_FILE, STEPS).close_now()
    Ledger(tmp_path / LEDGER_FILE).database.close_now()
    assert found(tmp_path) == []
    started(tmp_path)
    assert found(tmp_path) == []
    gone(tmp_path, SPOOL_FILE)
    assert found(tmp_path) == ["spool"]
