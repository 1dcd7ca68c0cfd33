"""A registry made by an older mlflow is brought up to date: a copy is upgraded and takes the old one's place whole.

What was there before stays beside it as a backup. Nobody else writes meanwhile; whoever is stopped leaves the old one.
"""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Final

from faultml.errors import InputError

BUSY_S: Final = 20.0
"""How long another writer is waited for."""


def bring_up_to_date(database: Path) -> Path | None:
    """Upgrade a registry's database where it is of an older schema; the backup that is left, None where none was due.

    Parameters
    ----------
    database
        An SQLite file, or where one will be.

    Raises
    ------
    InputError
        ``registry-busy`` where somebody else keeps writing, ``registry-not-upgraded`` where mlflow cannot upgrade
        it; the registry is then as it was.
    """
    if not _is_older(database):
        return None
    before = database.stat().st_ino
    try:
        with closing(sqlite3.connect(database, timeout=BUSY_S, isolation_level=None)) as held:
            # A write-ahead log beside the file would be taken for the new one's.
            held.execute("PRAGMA journal_mode = DELETE")
            held.execute("BEGIN IMMEDIATE")
            if database.stat().st_ino != before:  # somebody else has done it meanwhile
                return None
            return _upgrade(database)
    except sqlite3.OperationalError as error:
        raise InputError(
            "registry-busy", where=str(database), expected="nobody else writing", found=str(error)
        ) from error


def revision(database: Path) -> str:
    """The schema that a database has, by mlflow's name for it; "" where it has none."""
    if not database.is_file():
        return ""
    with closing(sqlite3.connect(f"{database.resolve().as_uri()}?mode=ro", uri=True)) as opened:
        try:
            row = opened.execute("SELECT version_num FROM alembic_version").fetchone()
        except sqlite3.DatabaseError:  # no such table, or no database at all: whoever opens it tells
            return ""
    return str(row[0]) if row else ""


def _is_older(database: Path) -> bool:
    """Whether mlflow knows the schema and has a newer one."""
    found = revision(database)
    if not found:
        return False
    from alembic.config import Config
    from alembic.script import ScriptDirectory
    from alembic.util.exc import CommandError
    from mlflow.store import db_migrations

    config = Config()
    config.set_main_option("script_location", str(Path(db_migrations.__file__).parent).replace("%", "%%"))
    script = ScriptDirectory.from_config(config)
    try:
        return bool(script.get_revision(found)) and found not in script.get_heads()
    except CommandError:  # newer than this mlflow
        return False


def _upgrade(database: Path) -> Path:
    """Upgrade a copy, and put it in the database's place."""
    from mlflow.db import upgrade

    backup = database.with_name(f"{database.name}.before-{revision(database)}")
    copy = database.with_name(f".{database.name}.upgrading")
    for path in (backup, copy):
        _copy(database, path)
    try:
        upgrade.main([f"sqlite:///{copy.resolve()}"], standalone_mode=False)
        if _is_older(copy) or not _is_whole(copy):
            raise InputError("registry-not-upgraded", where=str(database), expected="mlflow's newest schema")
    except Exception as error:  # mlflow's, Alembic's and SQLAlchemy's
        copy.unlink(missing_ok=True)
        raise InputError(
            "registry-not-upgraded",
            where=str(database),
            expected=f"a registry that mlflow can upgrade; the one that was there is kept in {backup.name}",
            found=str(error).splitlines()[0] if str(error) else type(error).__name__,
        ) from error
    copy.replace(database)
    return backup


def _copy(database: Path, path: Path) -> None:
    """A database's copy, written whole or not at all and to the disk."""
    part = path.with_name(f"{path.name}.part")
    part.unlink(missing_ok=True)
    with closing(sqlite3.connect(database)) as source, closing(sqlite3.connect(part)) as target:
        source.backup(target)
    with part.open("rb") as file:
        os.fsync(file.fileno())
    part.replace(path)


def _is_whole(database: Path) -> bool:
    with closing(sqlite3.connect(database)) as opened:
        return bool(opened.execute("PRAGMA quick_check").fetchone() == ("ok",))
