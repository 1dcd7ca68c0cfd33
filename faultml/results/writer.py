"""Write a results folder whole or not at all; no folder that is not ours is ever replaced."""

from __future__ import annotations

import json
import shutil
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self

import pandas as pd
import pyarrow as pa

from faultml.errors import InputError
from faultml.results.columns import PROBLEMS, PROGRAM, REPORT_FILE, RUN_FILE, STREAMED, TABLES
from faultml.results.folders import LOCK_FILE, SYSTEM_LITTER, leftover_of, replaced_folder
from faultml.results.pages import PAGES_FOLDER, check_pages
from faultml.results.reader import read_run
from faultml.results.tables import PART_PREFIX, Kind, Schema, TableFormat, TableWriter, infer_schema

_OURS: Final = frozenset(
    {
        RUN_FILE,
        REPORT_FILE,
        PAGES_FOLDER,
        LOCK_FILE,
        *(f"{name}.{form}" for name in TABLES for form in ("parquet", "csv")),
    }
)
_DRAWN: Final = frozenset({REPORT_FILE, PAGES_FOLDER})
"""Written after the tables; a run that was killed may have left an unfinished one."""


class ResultsWriter:
    """Fills a new results folder, which takes the old one's place when the block ends without an error.

    ::

        with ResultsWriter(out) as results:
            for ...:
                results.append("swings", swings)
                results.append("faults", faults)
                results.append("problems", problems)
            results.write("players", players)
            results.run["model"] = ...

    Parameters
    ----------
    out
        The results folder; parents are made. An old results folder is replaced, an empty one filled, any
        other refused.
    format
        Of the tables; ``problems`` is always CSV.

    Attributes
    ----------
    run
        What goes into ``run.json`` beside the list of files and tables.
    """

    def __init__(self, out: Path, *, format: TableFormat = "parquet") -> None:
        self.run: dict[str, Any] = {}
        self._out = out
        self._format = format
        self._stack = ExitStack()
        self._writers: dict[str, TableWriter] = {}
        self._adopted: dict[str, dict[str, Any]] = {}
        self._part = out

    def __enter__(self) -> Self:
        self._part = self._stack.enter_context(replaced_folder(self._out, check_ours))
        self._open("problems", PROBLEMS)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            if error is None:
                for name in STREAMED.keys() - self._writers.keys() - self._adopted.keys():
                    self._open(name, STREAMED[name])
            for writer in self._writers.values():
                writer.close()
            if error is None:
                self._write_run()
        except BaseException as late:
            self._stack.__exit__(type(late), late, late.__traceback__)
            raise
        self._stack.__exit__(kind, error, trace)

    @property
    def n_problems(self) -> int:
        """Rows of ``problems.csv`` so far."""
        return self._writers["problems"].n_rows

    def append(self, name: str, frame: pd.DataFrame) -> None:
        """Add rows to ``swings``, ``faults`` or ``problems``; a frame has exactly the columns of its table.

        Raises
        ------
        InputError
            Where the frame does not fit, see `faultml.results.tables.TableWriter.append`.
        """
        if name not in self._writers:
            self._open(name, STREAMED[name])
        self._writers[name].append(frame)

    def adopt(self, name: str, parts: Sequence[Path], n_rows: int) -> None:
        """Take over files as the table ``swings`` or ``faults``: in a folder, or as one file where they are CSV.

        The files may be linked, and are not changed.
        """
        path = self._part / f"{name}.{self._format}"
        if self._format == "csv":
            _join_csv(parts, path)
        else:
            path.mkdir()
            for number, part in enumerate(parts):
                _link(part, path / f"{PART_PREFIX}{number:06d}.parquet")
        self._adopted[name] = {"file": path.name, "rows": n_rows, "columns": STREAMED[name]}

    def append_rows(self, name: str, frame: pd.DataFrame, schema: Schema | None = None) -> None:
        """Add rows to another table, such as ``players``; without a schema the first frame says what columns hold."""
        if name not in self._writers:
            self._open(name, schema or infer_schema(frame))
        self._writers[name].append(frame)

    def append_sums(self, name: str, table: pa.Table) -> None:
        """Add rows to a table of sums, which is kept as Parquet in every case: text keys and integers."""
        if name not in self._writers:
            kinds: dict[str, Kind] = {
                field.name: "text" if field.type == pa.string() else "whole" for field in table.schema
            }
            self._writers[name] = TableWriter(self._part / f"{name}.parquet", kinds)
        self._writers[name].append_arrow(table)

    def write(self, name: str, frame: pd.DataFrame) -> None:
        """Write a whole table such as ``players``; the kinds of its columns are taken from the frame."""
        self._open(name, infer_schema(frame)).append(frame)

    def file(self, name: str) -> Path:
        """Where to write another file of the results, such as the report."""
        return self._part / name

    def _open(self, name: str, schema: Schema) -> TableWriter:
        suffix = "csv" if name == "problems" else self._format
        self._writers[name] = TableWriter(self._part / f"{name}.{suffix}", schema)
        return self._writers[name]

    def _write_run(self) -> None:
        tables = self._adopted | {
            name: {"file": writer.path.name, "rows": writer.n_rows, "columns": writer.schema}
            for name, writer in self._writers.items()
        }
        files = sorted({path.name for path in self._part.iterdir()} - {LOCK_FILE} | {RUN_FILE})
        content = {"program": PROGRAM, **self.run, "tables": tables, "files": files}
        text = json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False)
        self.file(RUN_FILE).write_text(text + "\n", encoding="utf-8")


def _link(part: Path, path: Path) -> None:
    try:
        path.hardlink_to(part)
    except OSError:  # another file system, or one without links
        shutil.copyfile(part, path)


def _join_csv(parts: Sequence[Path], path: Path) -> None:
    """One file of several, with one header."""
    with path.open("wb") as out:
        for number, part in enumerate(parts):
            with part.open("rb") as file:
                header = file.readline()
                if number == 0:
                    out.write(header)
                shutil.copyfileobj(file, out)


def check_ours(folder: Path) -> None:
    """Raise unless a folder is empty or holds nothing but results of ours."""
    if not folder.is_dir():
        raise InputError("not-a-results-folder", where=str(folder), expected="a folder", found="a file")
    names = {path.name for path in folder.iterdir() if leftover_of(path.name) not in _DRAWN} - SYSTEM_LITTER
    if not names:
        return
    run = read_run(folder)
    strangers = names - _OURS - set(map(str, run["files"])) if run else names
    if run is None or strangers:
        found = ", ".join(sorted(strangers)[:5])
        raise InputError(
            "not-a-results-folder",
            where=str(folder),
            expected="a new or empty folder, or one that holds nothing but results of an earlier run",
            found=found,
        )
    if PAGES_FOLDER in names:
        check_pages(folder / PAGES_FOLDER)
