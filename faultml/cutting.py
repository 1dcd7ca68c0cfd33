"""Cut range sessions into a season of swings: importing recorders' files and cutting streams, put together."""

from __future__ import annotations

import gzip
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Final

import pyarrow.parquet as pq

from faultml.classifier.bundle import Bundle, load_bundle
from faultml.errors import InputError
from faultml.faults.catalogue import Catalogue, load_catalogue
from faultml.importing.alignment import Alignment
from faultml.importing.importer import Cutter, ImportRun
from faultml.importing.layout import Layout, parse_layout
from faultml.importing.recording import Recording
from faultml.importing.season import import_season
from faultml.motion.contact import ACCELERATION, ANGULAR_RATE
from faultml.recordings.files import find_files
from faultml.recordings.left_out import LeftOut
from faultml.streams.cut import Cuts, Ids, cut_stream

_LAYOUT: Final = """
schema = 1
file.reader = "{reader}"
time = {{ column = "t_s", unit = "s" }}
worn.arm = "lead"
ids = {{ player = {{ column = "player" }}, session = {{ column = "session" }} }}
swings.split = "stream"
[angles]
flexion = {{ column = "flexion_deg", unit = "deg", positive = "flexion" }}
ulnar = {{ column = "ulnar_deg", unit = "deg", positive = "ulnar" }}
"""
_OPTIONAL: Final = {
    "pronation_deg": 'pronation = { column = "pronation_deg", unit = "deg", positive = "pronation" }',
    "impact_s": '[contact]\ntime_column = "impact_s"',
}
"""Our own long layout, and what it holds besides where the files have the column."""


def cut_season(
    paths: Sequence[Path],
    out: Path,
    *,
    layout: Layout | None = None,
    alignment: Alignment | None = None,
    bundle: Bundle | None = None,
    catalogue: Catalogue | None = None,
    left_out: LeftOut | None = None,
    on_file: Callable[[int, int], None] | None = None,
) -> ImportRun:
    """Cut whole range sessions into swings and write them as a season, with what was left out and why beside it.

    Parameters
    ----------
    paths
        Files and folders: one row a sample, any length.
    out
        The season's folder; an earlier one is replaced once the new one is complete.
    layout
        Of the files, with split ``stream``; not given: columns ``player, session, t_s`` (s), ``flexion_deg, ulnar_deg``
        and, where recorded, ``pronation_deg`` and ``impact_s``, as the first file has them.
    alignment
        Where the layout names one.
    bundle, catalogue
        The package's own where not given.
    left_out
        As of `faultml.import_season`.
    on_file
        Called after each file with how many have been read, and of how many.

    Raises
    ------
    InputError
        ``no-stream`` where the layout does not say that the files are to be cut, ``no-table`` where no file is a
        table; else as `faultml.import_season`.
    """
    layout = layout or own_layout(paths)
    if layout.swings.split != "stream":
        raise InputError(
            "no-stream", where="swings.split", expected='"stream", to cut', found=f'"{layout.swings.split}"'
        )
    return import_season(
        paths,
        layout,
        out,
        alignment=alignment,
        cut=cutter(layout, bundle=bundle, catalogue=catalogue),
        left_out=left_out,
        on_file=on_file,
    )


def cutter(
    layout: Layout, *, bundle: Bundle | None = None, catalogue: Catalogue | None = None
) -> Cutter | None:
    """What cuts a whole session into swings for `faultml.import_season`; None where the layout has none to cut."""
    if layout.swings.split != "stream":
        return None
    bundle, catalogue = bundle or load_bundle(), catalogue or load_catalogue()
    rules = ACCELERATION if layout.acceleration is not None else ANGULAR_RATE

    def cut(recording: Recording, first_swing: int) -> Iterator[Cuts]:
        ids = Ids(
            recording.player,
            recording.session,
            hand=recording.hand,
            file=str(recording.path),
            first_swing=first_swing,
        )
        return cut_stream(recording.blocks, ids, shock_rules=rules, bundle=bundle, catalogue=catalogue)

    return cut


def own_layout(paths: Sequence[Path]) -> Layout:
    """Our long layout with the optional columns that the first file has; all files are taken to be like it.

    Raises
    ------
    InputError
        ``no-table`` where no file is CSV or Parquet.
    """
    found = find_files(paths).files
    if not found:
        raise InputError("no-table", expected="CSV or Parquet", found="no such file among them")
    path, kind = found[0]
    names = _names(path, parquet=kind == "parquet")
    parts = [_LAYOUT.format(reader="parquet" if kind == "parquet" else "text")]
    parts += [line for name, line in _OPTIONAL.items() if name in names]
    return parse_layout("\n".join(parts), where="faultml's own layout")


def _names(path: Path, *, parquet: bool) -> Sequence[str]:
    if parquet:
        names: list[str] = pq.read_schema(path).names
        return names
    with path.open("rb") as stream:
        packed = stream.read(2) == b"\x1f\x8b"
    with gzip.open(path) if packed else path.open("rb") as table:
        head = table.readline(10_000).decode("utf-8", "replace")
    return [name.strip(' "') for name in head.strip().split(",")]
