"""A whole session in one file: one continuous run of samples, in blocks, to be cut into swings."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from typing import Final

import numpy as np

from faultml.importing.rows import KEYS, RowReader
from faultml.importing.runs import Piece, read_pieces
from faultml.importing.swings import Report, arm_reason
from faultml.recordings.findings import findings
from faultml.recordings.problems import file_problem
from faultml.recordings.schema import HANDS
from faultml.recordings.stream import Block

_MAX_WAITING: Final = 1000
"""So many marks of later times are kept."""


@dataclass(frozen=True)
class Recording:
    """One recording on one clock that never falls back.

    `blocks` can be gone through once, and before the next recording of the file is asked for; what is left of it is
    passed over. Memory holds one block at a time. `line` is where it begins. Angles are NaN where lost; gaps are
    jumps of the clock.
    """

    path: Path
    player: str
    session: str
    hand: str
    line: int
    blocks: Iterator[Block]


def read_recordings(reader: RowReader, report: Report) -> Iterator[Recording]:
    """The recordings of a file with split ``stream``, one after the other.

    A recording from the trail arm, or whose arm is not known, is reported and passed over. Cells that hold
    something else than a number are reported once for each block, and their samples are lost.

    Raises
    ------
    InputError
        What `faultml.importing.runs.read_pieces` raises, also from within `Recording.blocks`.
    """
    pieces = read_pieces(reader)
    following = next(pieces, None)
    while following is not None:
        first, rest = following, _Run(pieces)
        words = dict(zip(KEYS, first.key, strict=True))
        arm, hand = words["arm"].lower(), words["hand"].lower()
        line = int(first.rows.lines[first.start])
        reason = arm_reason(arm, hand, reader.layout)
        if reason:
            said = f"arm {arm or 'unknown'}, golfer's hand {hand or 'unknown'}"
            report(file_problem(str(reader.path), reason, "the lead wrist", said, line))
        else:
            blocks = _in_place(_block(piece, reader.path, report) for piece in chain([first], rest))
            yield Recording(
                reader.path,
                words["player"],
                words["session"],
                hand if hand in HANDS else "",
                line,
                blocks,
            )
        following = rest.pass_over()


class _Run:
    """The further pieces of the run in hand; knows the piece that began the next one."""

    def __init__(self, pieces: Iterator[Piece]) -> None:
        self._pieces = pieces
        self._next: Piece | None = None

    def __iter__(self) -> Iterator[Piece]:
        if self._next is None:
            for piece in self._pieces:
                if piece.first:
                    self._next = piece
                    return
                yield piece

    def pass_over(self) -> Piece | None:
        """The first piece of the next run; what nobody took of this one is gone."""
        for _ in self:
            pass
        return self._next


def _in_place(blocks: Iterable[Block]) -> Iterator[Block]:
    """The blocks with each mark once, in that of its own time; a column of times may tell it rows before or after."""
    reported_s, waiting_s = -np.inf, np.empty(0)
    for block in blocks:
        marks_s = np.union1d(waiting_s, block.marks_s)
        marks_s = marks_s[marks_s > reported_s]
        due = marks_s <= (block.t_s[-1] if len(block.t_s) else -np.inf)
        waiting_s = marks_s[~due][:_MAX_WAITING]
        reported_s = marks_s[due][-1] if due.any() else reported_s
        yield block._replace(marks_s=marks_s[due])


def _block(piece: Piece, path: Path, report: Report) -> Block:
    rows, span = piece.rows, slice(piece.start, piece.stop)
    known = findings()
    lost = np.zeros(piece.stop - piece.start, dtype=bool)
    for fault in rows.faults:
        hit = np.flatnonzero(fault.mask[span])
        if len(hit):
            at = piece.start + int(hit[0])
            more = f" and {len(hit) - 1} more rows" if len(hit) > 1 else ""
            found = fault.found(at) + more
            report(file_problem(str(path), fault.code, fault.expected, found, int(rows.lines[at])))
            if known[fault.code].severity == "refuse":
                lost |= fault.mask[span]
    # A sample without a time has no place in the recording: it is lost, which the clock's jump shows.
    kept = np.isfinite(rows.t_s[span])
    angles_deg = np.where(lost, np.nan, rows.angles_deg[:, span])[:, kept]
    marks_s = rows.mark_s[span]
    marks_s = marks_s[np.isfinite(marks_s)]
    sensed = None if rows.sensed is None else rows.sensed[:, span][:, kept]
    return Block(rows.t_s[span][kept], angles_deg, np.unique(marks_s), sensed)
