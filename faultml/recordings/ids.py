"""The ids of every swing in a season's files."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from faultml.channels import ID_COLUMNS
from faultml.errors import InputError
from faultml.recordings.files import find_files
from faultml.recordings.long_csv import CsvSeason
from faultml.recordings.parquet import ParquetSeason


def season_ids(paths: Sequence[Path]) -> set[tuple[str, str, str]]:
    """Player, session and swing of every swing; files that cannot be read hold none.

    Raises
    ------
    InputError
        ``no-such-path`` where a path does not exist.
    """
    found: set[tuple[str, str, str]] = set()
    for path, kind in find_files(paths).files:
        try:
            file = ParquetSeason(path) if kind == "parquet" else CsvSeason(path)
            for ids in file.scan():
                columns = (ids[name].to_pylist() for name in ID_COLUMNS)
                found.update(
                    (player or "", session or "", swing or "")
                    for player, session, swing in zip(*columns, strict=True)
                )
        except (InputError, OSError):
            continue
    return found
