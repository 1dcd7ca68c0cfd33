"""One player's swings out of a season's files, checked as everybody's are; the rest is read only where it must be."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from faultml.recordings.files import find_files
from faultml.recordings.read import open_season, read_swings
from faultml.recordings.same_names import SameName, names_of, renamed, targets
from faultml.recordings.schema import KNOWN_COLUMNS
from faultml.recordings.swings import SwingBatch


def read_player(paths: Sequence[Path], player: str, names: Sequence[SameName] = ()) -> SwingBatch:
    """Every swing of a player, in the order of the files.

    Parameters
    ----------
    paths
        Files and folders of the season.
    player
        Whose swings.
    names
        Names of the recordings that are read as a player of another name, as `faultml.open_season` takes them.

    Raises
    ------
    InputError
        ``no-such-path`` where a path does not exist.
    """
    files = find_files(paths).files
    players_of = targets(names)
    own = names_of(player, players_of)
    tables = [_rows(path, own) for path, kind in files if kind == "parquet"]
    found = [table for table in tables if table is not None and len(table)]
    if len(tables) == len(files) and None not in tables and found:
        together = pa.concat_tables(found, promote_options="default").combine_chunks()
        return read_swings(renamed(together, players_of))[0]
    return _streamed(paths, player, names)


def _rows(path: Path, own: Sequence[str]) -> pa.Table | None:
    """A Parquet file's rows under one of the names; None where its names have to be read another way."""
    try:
        with pq.ParquetFile(path) as file:
            schema = file.schema_arrow
            kind = schema.field("player").type
            if not (pa.types.is_string(kind) or pa.types.is_large_string(kind)):
                return None
            columns = [name for name in schema.names if name in KNOWN_COLUMNS]
            kept = []
            for group in range(file.num_row_groups):
                names = file.read_row_group(group, columns=["player"])["player"]
                rows = np.flatnonzero(
                    pc.is_in(names, pa.array(own, names.type)).to_numpy(zero_copy_only=False)
                )
                if len(rows):
                    kept.append(file.read_row_group(group, columns=columns).take(rows))
            return pa.concat_tables(kept) if kept else schema.empty_table().select(columns)
    except (pa.ArrowException, OSError, ValueError, KeyError):
        return None


def _streamed(paths: Sequence[Path], player: str, names: Sequence[SameName] = ()) -> SwingBatch:
    parts: list[SwingBatch] = []
    for batch in open_season(paths, names=names).batches():
        rows = np.flatnonzero(batch.table["player"].to_numpy(object) == player)
        if len(rows):
            parts.append(
                SwingBatch(
                    batch.table.iloc[rows].reset_index(drop=True),
                    batch.t_s[rows],
                    batch.angles_deg[rows],
                    batch.n_samples[rows],
                )
            )
    if not parts:
        empty = next(iter(open_season(paths).batches()), None)
        assert empty is not None, "a season that was classified holds a swing"
        return SwingBatch(empty.table.iloc[:0], empty.t_s[:0], empty.angles_deg[:0], empty.n_samples[:0])
    longest = max(part.t_s.shape[1] for part in parts)
    return SwingBatch(
        pd.concat([part.table for part in parts], ignore_index=True),
        np.concatenate([_padded(part.t_s, longest) for part in parts]),
        np.concatenate([_padded(part.angles_deg, longest) for part in parts]),
        np.concatenate([part.n_samples for part in parts]),
    )


def _padded(values: np.ndarray, longest: int) -> np.ndarray:
    room = [(0, 0)] * (values.ndim - 1) + [(0, longest - values.shape[-1])]
    return np.pad(values, room, constant_values=np.nan)
