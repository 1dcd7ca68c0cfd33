"""Write a synthetic season golfer by golfer: recordings and roster in one folder, the truth in another."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from types import TracebackType
from typing import Final, Literal, Self

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from faultml.channels import CHANNELS, ID_COLUMNS
from faultml.faults.measure import PHASE_GRID
from faultml.recordings.swings import SwingBatch
from faultml.recordings.write import write_season
from faultml.synthetic.padding import concatenate
from faultml.synthetic.season import GolferSeason

TRUTH_RECORDINGS: Final = "recordings.parquet"
TRUTH_CURVES: Final = "curves.parquet"

_SWINGS_AT_ONCE: Final = 1000
"""Recordings that are held and written together, at least: many small pieces would be slow to read."""


def write_synthetic(
    parts: Iterable[GolferSeason], roster: pd.DataFrame, out: Path, season_format: Literal["parquet", "csv"]
) -> int:
    """Leave ``season/`` (recordings and roster.csv) and ``truth/`` in `out`; how many recordings there are.

    ``truth/recordings.parquet`` is as `GolferSeason.truth`, ``truth/curves.parquet`` holds the full swings' curves on
    the phase grid. Golfers are written as they come, so that memory does not grow with the season; each file stands
    only once it is complete.
    """
    with _TruthFolder(out / "truth") as truth:
        write_season(
            _recordings(parts, truth), out / "season" / f"season.{season_format}", format=season_format
        )
    roster.to_csv(out / "season" / "roster.csv", index=False)
    return truth.n_recordings


def _recordings(parts: Iterable[GolferSeason], truth: _TruthFolder) -> Iterator[SwingBatch]:
    """The recordings in batches; the truth about them is put down as they pass."""
    held: list[GolferSeason] = []
    for part in parts:
        held.append(part)
        if sum(len(golfer.truth) for golfer in held) >= _SWINGS_AT_ONCE:
            truth.add(held)
            yield concatenate([golfer.batch for golfer in held])
            held = []
    if held:
        truth.add(held)
        yield concatenate([golfer.batch for golfer in held])


class _TruthFolder:
    """The two truth tables, growing beside their final names until all is written."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._writers: dict[str, pq.ParquetWriter] = {}
        self.n_recordings = 0

    def __enter__(self) -> Self:
        self._folder.mkdir(parents=True, exist_ok=True)
        return self

    def add(self, golfers: list[GolferSeason]) -> None:
        """Put down what is true of some golfers."""
        truth = pd.concat([golfer.truth for golfer in golfers], ignore_index=True)
        phase_deg = np.concatenate([golfer.phase_deg for golfer in golfers])
        self._write(TRUTH_RECORDINGS, truth)
        self._write(TRUTH_CURVES, _curves(truth, phase_deg))
        self.n_recordings += len(truth)

    def _write(self, name: str, frame: pd.DataFrame) -> None:
        table = pa.Table.from_pandas(frame, preserve_index=False)
        if name not in self._writers:
            self._writers[name] = pq.ParquetWriter(self._part(name), table.schema)
        self._writers[name].write_table(table.cast(self._writers[name].schema))

    def _part(self, name: str) -> Path:
        return self._folder / f".{name}.part"

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for name, writer in self._writers.items():
            writer.close()
            if kind is None:
                self._part(name).replace(self._folder / name)
            else:
                self._part(name).unlink()


def _curves(truth: pd.DataFrame, phase_deg: np.ndarray) -> pd.DataFrame:
    """True curves of the full swings relative to address, on the phase grid."""
    full = np.flatnonzero(np.isfinite(phase_deg[:, 0, 0]))
    frame = truth.loc[full, list(ID_COLUMNS)].reset_index(drop=True)
    frame["phase"] = [PHASE_GRID] * len(full)
    for channel, name in enumerate(CHANNELS):
        frame[name] = list(phase_deg[full, channel].astype(np.float32))
    return frame
