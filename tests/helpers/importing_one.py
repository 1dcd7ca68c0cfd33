"""One file imported into a fresh season, and what came of it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pandas as pd
import pyarrow.parquet as pq
from recorder_files import recorder_table, text_bytes
from season_fakes import fake_season

from faultml.importing.importer import ImportRun
from faultml.importing.layout import Layout
from faultml.importing.season import SEASON_FILE, import_season

SEASON = fake_season(2, rate_hz=60.0)


@dataclass
class Read:
    """The run, the season as a table, and its problems."""

    run: ImportRun
    season: pd.DataFrame
    problems: pd.DataFrame

    @property
    def codes(self) -> set[str]:
        """Codes of the problems."""
        return set(self.problems["code"])


def read(content: bytes | Path, layout: Layout, folder: Path, name: str = "file.csv") -> Read:
    """Import bytes as a file of that name, or a file or folder as it is."""
    path = content if isinstance(content, Path) else folder / name
    if isinstance(content, bytes):
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    run = import_season([path], layout, folder / "season")
    return Read(
        run,
        pq.read_table(folder / "season" / SEASON_FILE).to_pandas(),
        pd.read_csv(folder / "season" / "_problems.csv", dtype=str, keep_default_na=False),
    )


def text(layout: Layout) -> str:
    """`SEASON` as the text of a file in a layout."""
    return text_bytes(recorder_table(SEASON, layout), layout).decode(layout.file.encoding)
