"""Recordings of practice from files, sample by sample."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from faultml.cutting import own_layout
from faultml.errors import InputError
from faultml.importing.alignment import Alignment
from faultml.importing.layout import Layout
from faultml.importing.recording import Recording, read_recordings
from faultml.importing.rows import RowReader
from faultml.practice.frames import Sample
from faultml.recordings.problems import Problem


def read_samples(
    path: Path, player: str, *, layout: Layout | None = None, alignment: Alignment | None = None
) -> Iterator[Sample]:
    """The samples of a file, in its order, angles in anatomical signs.

    Parameters
    ----------
    path
        One row a sample.
    player
        Whose; a file with one player only is that player's, whatever it calls them.
    layout
        Of the file, with split ``stream``; by default our own long layout, as `faultml.cut_season` reads it.

    Raises
    ------
    InputError
        ``no-recording`` where the file holds none of the player's lead wrist; else as `faultml.cut_season`.
    """
    problems: list[Problem] = []
    layout = layout or own_layout([path])
    reader = RowReader(path, layout, {}, str, alignment, None)
    met, found = set(), False
    for recording in read_recordings(reader, problems.append):
        met.add(recording.player)
        if recording.player not in ("", player):
            continue
        found = True
        yield from _samples(recording)
    if not found:
        said = problems[0].found if problems else ", ".join(sorted(met)) or "none"
        raise InputError("no-recording", where=str(path), expected=f"a recording of {player}", found=said)


def _samples(recording: Recording) -> Iterator[Sample]:
    for block in recording.blocks:
        for t_s, flexion, ulnar, pronation in zip(
            block.t_s.tolist(), *(row.tolist() for row in block.angles_deg), strict=True
        ):
            yield Sample(t_s, flexion, ulnar, pronation)
