"""The store's file: private, whole, one writer at a time, and brought up to date."""

from __future__ import annotations

import multiprocessing
import os
import signal
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
from label_fakes import add_one_by_one
from sqlalchemy import inspect

import faultml.outcomes.assignments  # defines its table
from faultml.errors import InputError, StoreError
from faultml.labels import Verdict, add, verdicts
from faultml.store import METADATA, base, open_store, store_path

SAID = Verdict("golfer0", "2031-04-05", "001", "flip", "yes", "ann")


def test_only_its_owner_may_read_it(tmp_path: Path) -> None:
    with open_store(tmp_path / "new" / "store.sqlite") as store, store.writing():
        files = list((tmp_path / "new").iterdir())
        assert len(files) == 3, "with its log and index"
        assert {file.stat().st_mode & 0o777 for file in files} == {0o600}


def test_nothing_is_kept_after_an_error(tmp_path: Path) -> None:
    with open_store(tmp_path / "store.sqlite") as store:
        add(store, [SAID])
        with pytest.raises(ZeroDivisionError), store.writing() as connection:
            connection.exec_driver_sql("DELETE FROM verdicts")
            raise ZeroDivisionError
        assert len(verdicts(store)) == 1


def test_reading_sees_one_moment(tmp_path: Path) -> None:
    with open_store(tmp_path / "store.sqlite") as store, store.reading() as connection:
        count = "SELECT count(*) FROM verdicts"
        assert connection.exec_driver_sql(count).scalar() == 0
        add(store, [SAID])  # a reader is never in a writer's way
        assert connection.exec_driver_sql(count).scalar() == 0


def test_verdicts_cannot_be_changed(tmp_path: Path) -> None:
    with open_store(tmp_path / "store.sqlite") as store:
        add(store, [SAID])
        with pytest.raises(Exception, match="never changed"), store.writing() as connection:
            connection.exec_driver_sql("UPDATE verdicts SET verdict = 'no'")


def test_the_tables_are_as_the_program_defines_them(tmp_path: Path) -> None:
    assert faultml.outcomes.assignments.ASSIGNMENTS.metadata is METADATA
    with open_store(tmp_path / "store.sqlite") as store, store.reading() as connection:
        there = inspect(connection)
        assert set(METADATA.tables) <= set(there.get_table_names())
        for table in METADATA.tables.values():
            columns = {each["name"]: str(each["type"]) for each in there.get_columns(table.name)}
            assert columns == {each.name: str(each.type) for each in table.columns}


@pytest.mark.parametrize("version", range(1, len(base.MIGRATIONS)))
def test_an_older_store_is_brought_up_to_date(
    tmp_path: Path, version: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "store.sqlite"
    with monkeypatch.context() as older:
        older.setattr(base, "MIGRATIONS", base.MIGRATIONS[:version])
        with open_store(path) as store, store.writing() as connection:
            connection.exec_driver_sql(
                "INSERT INTO verdicts VALUES (1, 'p', 's', '1', 'flip', 'yes', NULL, '', 'ann', '1', '2031', '')"
            )
            assert store.tables().keys().isdisjoint({"assignments"} if version < 3 else set())
    with open_store(path) as store:
        assert store.version == len(base.MIGRATIONS)
        assert verdicts(store)["player"].tolist() == ["p"]
        assert "forgotten" in store.tables()
    with open_store(tmp_path / "fresh.sqlite") as fresh, open_store(path) as store:
        assert fresh.tables() == store.tables()


def test_a_failed_step_leaves_the_older_store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "store.sqlite"
    open_store(path).close()

    def half(connection: base.Connection) -> None:
        connection.exec_driver_sql("CREATE TABLE half (player TEXT)")
        raise ZeroDivisionError

    with monkeypatch.context() as newer:
        newer.setattr(base, "MIGRATIONS", (*base.MIGRATIONS, half))
        with pytest.raises(ZeroDivisionError):
            open_store(path)
    with open_store(path) as store:
        assert "half" not in store.tables()


def test_a_newer_store_is_refused_and_left_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "store.sqlite"
    open_store(path).close()
    monkeypatch.setattr(base, "MIGRATIONS", base.MIGRATIONS[:1])
    before = path.read_bytes()
    with pytest.raises(StoreError, match="newer-store"):
        open_store(path)
    assert path.read_bytes() == before


def test_what_is_no_store_is_refused_and_left_alone(tmp_path: Path) -> None:
    text, other = tmp_path / "text", tmp_path / "other.sqlite"
    text.write_bytes(b"some words " * 500)
    with sqlite3.connect(other) as connection:
        connection.execute("CREATE TABLE accounts (name)")
    connection.close()
    for path in (text, other):
        before = path.read_bytes()
        with pytest.raises(StoreError, match="not-a-store"):
            open_store(path)
        assert path.read_bytes() == before
    with pytest.raises(InputError, match="no-such-store"):
        open_store(tmp_path / "none", create=False)
    assert not (tmp_path / "none").exists()


def test_a_writer_that_waits_too_long_is_reported(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(base, "WAIT_S", 0.05)
    with (
        open_store(tmp_path / "store.sqlite") as store,
        store.writing(),
        pytest.raises(StoreError, match="store-busy"),
        store.writing(),
    ):
        pass


def test_two_processes_write_at_once_and_nothing_is_lost(tmp_path: Path) -> None:
    path = tmp_path / "store.sqlite"
    spawn = multiprocessing.get_context("spawn")
    writers = [spawn.Process(target=add_one_by_one, args=(path, coach, 200)) for coach in ("ann", "bob")]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
    assert [writer.exitcode for writer in writers] == [0, 0]
    with open_store(path) as store:
        kept = verdicts(store)
    assert kept["coach"].value_counts().to_dict() == {"ann": 200, "bob": 200}
    assert len(kept.drop_duplicates(["coach", "swing"])) == 400


def test_a_process_killed_while_writing_leaves_nothing_half_there(tmp_path: Path) -> None:
    path = tmp_path / "store.sqlite"
    with open_store(path) as store:
        add(store, [SAID])
    code = """
import sys, time
from faultml.store import open_store
with open_store(sys.argv[1]).writing() as connection:
    for at in range(5000):  # more than fits in memory: some of it is in the log by now
        connection.exec_driver_sql(
            "INSERT INTO verdicts (player, session, swing, fault, verdict, coach, occasion, \\"when\\", comment) "
            f"VALUES ('p', 's', '{at}', 'flip', 'no', 'ann', '1', '2031', '{'x' * 2000}')"
        )
    print("written", flush=True)
    time.sleep(60)
"""
    child = subprocess.Popen([sys.executable, "-c", code, str(path)], stdout=subprocess.PIPE)
    assert child.stdout is not None and child.stdout.readline() == b"written\n"
    assert sum(file.stat().st_size for file in tmp_path.iterdir()) > 5_000_000, "some of it reached the disk"
    os.kill(child.pid, signal.SIGKILL)
    child.wait()
    child.stdout.close()
    with open_store(path) as store:
        assert verdicts(store)["verdict"].tolist() == ["yes"]
        add(store, [SAID._replace(swing="002")])
        with store.reading() as connection:
            assert connection.exec_driver_sql("PRAGMA integrity_check").scalar() == "ok"


def test_who_waits_for_a_writer_that_is_killed_is_let_in(tmp_path: Path) -> None:
    path = tmp_path / "store.sqlite"
    open_store(path).close()
    code = """
import sys, time
from faultml.store import open_store
with open_store(sys.argv[1]).writing() as connection:
    connection.exec_driver_sql(
        "INSERT INTO verdicts (player, session, swing, fault, verdict, coach, occasion, \\"when\\", comment) "
        "VALUES ('p', 's', '1', 'flip', 'no', 'killed', '1', '2031', '')"
    )
    print("written", flush=True)
    time.sleep(60)
"""
    child = subprocess.Popen([sys.executable, "-c", code, str(path)], stdout=subprocess.PIPE)
    assert child.stdout is not None and child.stdout.readline() == b"written\n"
    waiting = multiprocessing.get_context("spawn").Process(target=add_one_by_one, args=(path, "ann", 20))
    waiting.start()
    waiting.join(1.0)
    assert waiting.exitcode is None, "it waits"
    os.kill(child.pid, signal.SIGKILL)
    child.wait()
    child.stdout.close()
    waiting.join()
    assert waiting.exitcode == 0
    with open_store(path) as store:
        assert verdicts(store)["coach"].tolist() == ["ann"] * 20


def test_a_backup_is_whole_while_another_writes(tmp_path: Path) -> None:
    copy = tmp_path / "copies" / "copy.sqlite"
    with open_store(tmp_path / "store.sqlite") as store:
        add(store, [SAID])
        with store.writing() as connection:
            connection.exec_driver_sql("DELETE FROM verdicts")
            store.backup(copy)
        with pytest.raises(InputError, match="file-exists"):
            store.backup(copy)
    assert [file.name for file in copy.parent.iterdir()] == ["copy.sqlite"]
    assert copy.stat().st_mode & 0o777 == 0o600
    with open_store(copy, create=False) as restored:
        assert len(verdicts(restored)) == 1


def test_where_it_lies(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("FAULTML_STORE", raising=False)
    assert store_path() == Path("faultml-store.sqlite")
    monkeypatch.setenv("FAULTML_STORE", "other.sqlite")
    assert store_path() == Path("other.sqlite")
    assert store_path("given.sqlite") == Path("given.sqlite")
