"""Swings that lie in two files each, such as one a sensor: joined by the files' names and the samples' times."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Final

import numpy as np
import pyarrow as pa

from faultml.errors import InputError
from faultml.importing.cells import Clock, Written
from faultml.importing.layout import Join, Layout
from faultml.importing.readers import Block, read_blocks
from faultml.recordings.problems import Problem, file_problem

SECOND: Final = "2:"
"""Stands before the names of the second file's columns."""
MAX_ROWS: Final = 2_000_000
"""Rows of a second file, which is held in memory."""


def second_of(path: Path, join: Join) -> Path:
    """The second file of a swing, by the name of its first.

    Raises
    ------
    InputError
        ``no-second-file`` where it is not there.
    """
    before, _, after = path.name.rpartition(join.first)
    second = path.with_name(before + join.second + after)
    if not second.is_file():
        raise InputError("no-second-file", expected=second.name, found="none")
    return second


def first_files(paths: Sequence[Path], join: Join | None) -> tuple[list[Path], list[Problem]]:
    """The files that swings are read from, without those that are joined to them, and what belongs to none."""
    if join is None:
        return list(paths), []
    firsts = [path for path in paths if join.first in path.name]
    known = {path.with_name(join.second.join(path.name.rsplit(join.first, 1))) for path in firsts}
    problems = [
        file_problem(
            str(path), "no-first-file", f"a name with {join.first!r}, or that of a file with it", path.name
        )
        for path in paths
        if join.first not in path.name and path not in known
    ]
    return [path for path in firsts if path not in known], problems


def blocks_of(path: Path, layout: Layout) -> Iterator[Block]:
    """The blocks of a file, joined with its second file where the layout has two for a swing.

    Each sample takes the second file's nearest one in time, within `Join.within_s`; where there is none its cells are
    null. Without times samples are joined by their number.

    Raises
    ------
    InputError
        What `read_blocks` raises; ``no-second-file``, ``too-long``, ``time-runs-back``.
    """
    if layout.join is None:
        yield from read_blocks(path, layout.file)
        return
    second = _read_second(second_of(path, layout.join), layout)
    clock, done = Clock(layout.time, Written.of(layout.file)), 0
    for block in read_blocks(path, layout.file):
        t_s, _ = clock.read(block.table, done)
        done += len(block.lines)
        yield replace(block, table=_joined(block.table, t_s, *second, layout.join.within_s))


def _read_second(path: Path, layout: Layout) -> tuple[pa.Table, np.ndarray]:
    clock, tables, times, done = Clock(layout.time, Written.of(layout.file)), [], [], 0
    for block in read_blocks(path, layout.file):
        t_s, _ = clock.read(block.table, done)
        done += len(block.lines)
        if done > MAX_ROWS:
            raise InputError("too-long", where=path.name, expected=f"at most {MAX_ROWS:,} rows", found="more")
        tables.append(block.table)
        times.append(t_s)
    table, at_s = pa.concat_tables(tables, promote_options="permissive"), np.concatenate(times)
    known = np.isfinite(at_s)
    table, at_s = table.filter(pa.array(known)), at_s[known]
    if (np.diff(at_s) < 0).any():
        raise InputError(
            "time-runs-back", where=path.name, expected="times that rise", found="one that falls"
        )
    return table.rename_columns([SECOND + name for name in table.column_names]), at_s


def _joined(
    table: pa.Table, t_s: np.ndarray, second: pa.Table, at_s: np.ndarray, within_s: float
) -> pa.Table:
    after = np.clip(np.searchsorted(at_s, t_s), 1, max(len(at_s) - 1, 1))
    before = after - 1
    after = np.minimum(after, len(at_s) - 1)
    nearest = np.where(np.abs(at_s[before] - t_s) <= np.abs(at_s[after] - t_s), before, after)
    far = ~(np.abs(at_s[nearest] - t_s) <= within_s)
    taken = second.take(pa.array(nearest, mask=far))
    for name, column in zip(taken.column_names, taken.columns, strict=True):
        table = table.append_column(name, column)
    return table
