"""Open the store's file, read it as of one moment, write it whole or not at all.

SQLite in write-ahead mode: readers are never in a writer's way, a second writer waits for the first, and what a
killed process had not finished is not there. Not for a network drive, where SQLite cannot lock.
"""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Final, Self

from faultml import __version__
from faultml.errors import InputError, MissingExtraError, StoreError

try:
    from sqlalchemy import Connection, Engine, MetaData, create_engine, event
    from sqlalchemy.exc import DatabaseError
    from sqlalchemy.pool import NullPool
except ImportError as error:  # pragma: no cover - without the extra
    raise MissingExtraError(
        "missing-extra", expected="SQLAlchemy: pip install 'faultml[labels]'", found=str(error)
    ) from error

from faultml.store.migrations import MIGRATIONS

METADATA: Final = MetaData()
"""Tables of the newest version, defined in the rooms that use them."""

APPLICATION_ID: Final = 0x466C746D
"""Marks the SQLite file as a store of ours ("Fltm")."""

WAIT_S: Final = 30.0
"""How long a writer waits for another."""

_WRITING: Final = "faultml_writing"

_MEANINGS: Final = {
    "not a database": ("not-a-store", "a store of faultml"),
    "locked": ("store-busy", f"the other writer to finish within {WAIT_S:.0f} s"),
    "readonly": ("not-writable", "a file that may be written"),
    "unable to open": ("not-writable", "a file that may be written"),
    "is full": ("not-writable", "room on the disk"),
    "malformed": ("damaged-store", "a whole store: restore a backup"),
    "disk I/O": ("damaged-store", "a whole store: restore a backup"),
}
"""What SQLite's messages mean to whoever reads them: code, and what was expected."""


class Store:
    """An open store; make one with `open_store`.

    A store is safe to share between threads: every `reading` and `writing` has a connection of its own.

    Attributes
    ----------
    path
        Its file.
    is_new
        Whether opening made it.
    """

    def __init__(self, path: Path, engine: Engine, *, is_new: bool) -> None:
        self.path = path
        self.is_new = is_new
        self._engine = engine

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A connection that sees the store as of one moment.

        Raises
        ------
        StoreError
            ``damaged-store`` where it cannot be read.
        """
        with _errors_reported(self.path), self._engine.connect() as connection, connection.begin():
            yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """A connection that alone may write; all of it is kept when the block ends, nothing after an error.

        Raises
        ------
        StoreError
            ``store-busy`` where another writer does not finish within `WAIT_S`, ``not-writable``,
            ``damaged-store``.
        """
        with (
            _errors_reported(self.path),
            self._engine.connect() as plain,
            plain.execution_options(**{_WRITING: True}) as connection,
            connection.begin(),
        ):
            yield connection

    @property
    def version(self) -> int:
        """Version of the schema."""
        with self.reading() as connection:
            return _version(connection)

    def tables(self) -> dict[str, tuple[str, ...]]:
        """Every table in the file with its columns, as they are there and not as this program defines them."""
        with self.reading() as connection:
            names = connection.exec_driver_sql(
                "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%' ORDER BY name"
            ).scalars()
            return {
                name: tuple(
                    connection.exec_driver_sql("SELECT name FROM pragma_table_info(?)", (name,)).scalars()
                )
                for name in names.all()
            }

    def backup(self, out: Path) -> None:
        """Copy the store as of one moment, while others may write; its folder is made, its owner alone reads it.

        Raises
        ------
        InputError
            ``file-exists`` where there is something at `out`.
        StoreError
            ``not-writable``.
        """
        if out.exists():
            raise InputError("file-exists", where=str(out), expected="a new file")
        part = out.with_name(f".{out.name}.new")
        with _errors_reported(out):
            out.parent.mkdir(parents=True, exist_ok=True)
            part.unlink(missing_ok=True)
            _make_private(part)
            try:
                source, copy = _connect(self.path), sqlite3.connect(part)
                try:
                    source.backup(copy)
                    copy.execute("PRAGMA journal_mode = DELETE")  # one file, to be carried away
                finally:
                    source.close()
                    copy.close()
                part.replace(out)
            finally:
                part.unlink(missing_ok=True)

    def scrub(self) -> None:
        """Write the file anew, so that no byte of a deleted row is left in it or in its write-ahead log.

        Raises
        ------
        StoreError
            ``store-busy`` where somebody else uses the store.
        """
        with _errors_reported(self.path):
            connection = _connect(self.path)
            try:
                connection.execute("VACUUM")
                busy = connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0]
            finally:
                connection.close()
            if busy:
                raise StoreError("store-busy", where=str(self.path), expected="nobody else at the store")

    def close(self) -> None:
        """Let go of the file."""
        self._engine.dispose()


def open_store(path: str | Path, *, create: bool = True) -> Store:
    """Open a store, make it where there is none, and bring an older one up to date.

    Parameters
    ----------
    path
        The file; see `faultml.store.store_path` for where it lies by default.
    create
        Whether to make it where there is none.

    Raises
    ------
    InputError
        ``no-such-store`` where there is none and none is to be made.
    StoreError
        ``not-a-store``, ``newer-store`` where a later version of this program has made it, ``store-busy``,
        ``not-writable``, ``damaged-store``.
    """
    path = Path(path).absolute()
    is_new = not path.exists()
    if is_new and not create:
        raise InputError(
            "no-such-store",
            where=str(path),
            expected="a store of faultml; --store or FAULTML_STORE says where",
        )
    with _errors_reported(path):
        if is_new:
            path.parent.mkdir(parents=True, exist_ok=True)
            _make_private(path)
        _prepare(path)
    store = Store(path, _engine(path), is_new=is_new)
    try:
        _bring_up_to_date(store)
    except BaseException:
        store.close()
        raise
    return store


def _make_private(path: Path) -> None:
    """An empty file that only its owner may read; SQLite's own files beside it take after it."""
    try:
        os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600))
    except FileExistsError:  # somebody else was as quick
        return


def _connect(path: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(path, timeout=WAIT_S, isolation_level=None, check_same_thread=False)
    connection.execute("PRAGMA foreign_keys = ON")
    connection.execute("PRAGMA secure_delete = ON")
    connection.execute("PRAGMA synchronous = FULL")
    return connection


def _engine(path: Path) -> Engine:
    engine = create_engine("sqlite+pysqlite://", creator=lambda: _connect(path), poolclass=NullPool)

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        writing = connection.get_execution_options().get(_WRITING, False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writing else "BEGIN")

    return engine


def _prepare(path: Path) -> None:
    """Check that the file is ours or empty, and switch it to write-ahead mode once."""
    connection = _connect(path)
    try:
        mark = connection.execute("PRAGMA application_id").fetchone()[0]
        filled = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
        if mark != APPLICATION_ID and filled:
            raise StoreError(
                "not-a-store", where=str(path), expected="a store of faultml", found="another database"
            )
        patience = time.monotonic() + WAIT_S
        while connection.execute("PRAGMA journal_mode").fetchone()[0] != "wal":
            try:
                connection.execute("PRAGMA journal_mode = WAL")
            except sqlite3.OperationalError:  # SQLite does not wait here by itself
                if time.monotonic() > patience:
                    raise
                time.sleep(0.01)
    finally:
        connection.close()


def _bring_up_to_date(store: Store) -> None:
    with store.reading() as connection:
        version = _version(connection)
    if version == len(MIGRATIONS):
        return
    if version > len(MIGRATIONS):
        raise StoreError(
            "newer-store",
            where=str(store.path),
            expected=f"schema version {len(MIGRATIONS)} at most: install a newer faultml",
            found=str(version),
        )
    with store.writing() as connection:
        connection.exec_driver_sql(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.exec_driver_sql(
            "CREATE TABLE IF NOT EXISTS schema_versions "
            "(version INTEGER PRIMARY KEY, at TEXT NOT NULL, program TEXT NOT NULL)"
        )
        for step in range(_version(connection), len(MIGRATIONS)):  # read again: another may have been first
            MIGRATIONS[step](connection)
            connection.exec_driver_sql(
                "INSERT INTO schema_versions VALUES (?, ?, ?)", (step + 1, now(), __version__)
            )


def _version(connection: Connection) -> int:
    known = connection.exec_driver_sql("SELECT count(*) FROM sqlite_master WHERE name = 'schema_versions'")
    if not known.scalar_one():
        return 0
    newest = connection.exec_driver_sql("SELECT max(version) FROM schema_versions").scalar_one()
    return int(newest or 0)


def now() -> str:
    """The moment as the store writes it: UTC, to the second, ``2026-05-01T09:30:00Z``."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


@contextmanager
def _errors_reported(path: Path) -> Iterator[None]:
    """Turn what SQLite and the system raise into a `StoreError` that names the file."""
    try:
        yield
    except (DatabaseError, sqlite3.DatabaseError) as error:
        message = str(error.orig if isinstance(error, DatabaseError) else error)
        meaning = next((meaning for word, meaning in _MEANINGS.items() if word in message), None)
        if meaning is None:
            raise
        raise StoreError(meaning[0], where=str(path), expected=meaning[1], found=message) from error
    except OSError as error:
        raise StoreError("not-writable", where=str(path), found=error.strerror or str(error)) from error
