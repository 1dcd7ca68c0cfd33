"""Read a results folder, as far as it is asked for."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from functools import cached_property
from pathlib import Path
from typing import Any, Final

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from faultml.errors import InputError
from faultml.results.columns import PROGRAM, RUN_FILE, SUMS_PREFIX
from faultml.results.tables import Kind, damage_reported, read_table, stream_table

BATCH_SWINGS: Final = 4000
"""Swings read at a time where a whole season would be too much."""


class Results:
    """A results folder, read as far as it is asked for.

    Attributes
    ----------
    folder
        Where it is.
    run
        The content of ``run.json``.
    """

    def __init__(self, folder: Path, run: dict[str, Any]) -> None:
        self.folder = folder
        self.run = run

    def frame(self, name: str, columns: Sequence[str] | None = None) -> pd.DataFrame:
        """A table by name, or some of its columns.

        Raises
        ------
        InputError
            ``missing-table`` where the results have none of that name, ``damaged-results`` where it cannot be
            read.
        """
        path, schema = self._table(name)
        return read_table(path, schema, columns)

    def sums(self, name: str) -> pa.Table:
        """A table of the season's sums, integers as `faultml.exact` has them: ``faults``, ``sessions`` and so on.

        Raises
        ------
        InputError
            As `frame`.
        """
        path, schema = self._table(f"{SUMS_PREFIX}{name}")
        with damage_reported(path):
            return pq.read_table(path, columns=list(schema))

    def has_sums(self, name: str) -> bool:
        """Whether the season has a table of sums of this name."""
        return f"{SUMS_PREFIX}{name}" in self.run["tables"]

    def of_player(self, name: str, player: str) -> pd.DataFrame:
        """The rows of a table that are about one player; raises as `frame`."""
        path, schema = self._table(name)
        return read_table(path, schema, player=player)

    def batches(self, rows: int = BATCH_SWINGS) -> Iterator[tuple[pd.DataFrame, pd.DataFrame]]:
        """``swings`` and the rows of ``faults`` that belong to them, `rows` swings at a time.

        Raises
        ------
        InputError
            As `frame`; also ``damaged-results`` where the two tables do not go together.
        """
        swings, faults = self._table("swings"), self._table("faults")
        counts = [self.run["tables"][name].get("rows") for name in ("swings", "faults")]
        if not counts[0]:
            return
        each, odd = divmod(counts[1], counts[0])
        if odd:
            raise InputError(
                "damaged-results",
                where=str(faults[0]),
                expected="as many faults for each swing",
                found=str(counts[1]),
            )
        with damage_reported(faults[0]):
            yield from zip(
                stream_table(*swings, rows), stream_table(*faults, rows * max(each, 1)), strict=True
            )

    def _table(self, name: str) -> tuple[Path, dict[str, Kind]]:
        table = self.run["tables"].get(name)
        if table is None or not (self.folder / table["file"]).exists():
            raise InputError(
                "missing-table", where=str(self.folder), expected=name, found=", ".join(self.run["tables"])
            )
        return self.folder / table["file"], table["columns"]

    @cached_property
    def swings(self) -> pd.DataFrame:
        """A row a swing."""
        return self.frame("swings")

    @cached_property
    def faults(self) -> pd.DataFrame:
        """A row a swing and fault."""
        return self.frame("faults")

    @cached_property
    def players(self) -> pd.DataFrame:
        """A row a player and fault."""
        return self.frame("players")

    @cached_property
    def drills(self) -> pd.DataFrame:
        """A row a player and drill."""
        return self.frame("drills")

    @cached_property
    def retests(self) -> pd.DataFrame:
        """A row a player, fault and session of re-test swings."""
        return self.frame("retests")

    @cached_property
    def outcomes(self) -> pd.DataFrame | None:
        """A row a drill that was given; None where none was."""
        return self.frame("outcomes") if "outcomes" in self.run["tables"] else None

    @cached_property
    def plans(self) -> pd.DataFrame | None:
        """A row a player: which drill they are on; None where no store was given."""
        return self.frame("plans") if "plans" in self.run["tables"] else None

    @cached_property
    def curves(self) -> pd.DataFrame:
        """Curves of a bounded number of swings."""
        return self.frame("curves")

    @cached_property
    def problems(self) -> pd.DataFrame:
        """What was wrong in the input."""
        return self.frame("problems")


def read_results(folder: str | Path) -> Results:
    """Open a results folder.

    Raises
    ------
    InputError
        ``no-such-path``, or ``not-a-results-folder`` where it has no ``run.json`` of ours.
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise InputError("no-such-path", where=str(folder), expected="a results folder")
    run = read_run(folder)
    if run is None:
        raise InputError(
            "not-a-results-folder", where=str(folder), expected=f"a {RUN_FILE} written by {PROGRAM}"
        )
    return Results(folder, run)


def read_run(folder: Path) -> dict[str, Any] | None:
    """The ``run.json`` of a results folder; None where there is none of ours."""
    try:
        run = json.loads((folder / RUN_FILE).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    ours = isinstance(run, dict) and run.get("program") == PROGRAM
    if not ours or not isinstance(run.get("tables"), dict) or not isinstance(run.get("files"), list):
        return None
    return run if all(_is_table(table) for table in run["tables"].values()) else None


def _is_table(table: object) -> bool:
    """Whether a table is described as `ResultsWriter` does it, its file being a plain name in the folder."""
    if not isinstance(table, dict) or not isinstance(table.get("columns"), dict):
        return False
    file = table.get("file")
    return isinstance(file, str) and Path(file).name == file
