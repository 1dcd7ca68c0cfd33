"""Pieces of a file gathered into swings as every reader of the season hands them on."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from faultml.channels import CHANNELS, ID_COLUMNS
from faultml.importing.alignment import Alignment
from faultml.importing.layout import Layout, needs_side
from faultml.importing.rows import KEYS, TOLD, RowReader
from faultml.importing.runs import Piece, read_pieces
from faultml.recordings.findings import findings, limits
from faultml.recordings.problems import Problem, swing_problem
from faultml.recordings.raw import RawSwings, raw_table
from faultml.recordings.schema import HANDS, MOUNTING_COLUMN
from faultml.recordings.words import split_shot

BATCH_SWINGS: Final = 500
BATCH_SAMPLES: Final = 1_000_000

Report = Callable[[Problem], None]
Counts = Counter[tuple[str, str]]
"""Swings counted so far in each player's session, where the layout leaves their names to us."""

_MAX_MARKS: Final = 3
"""So many differing marks of one swing are kept to tell of."""


class SwingPool:
    """Swings of one file after the other, handed on in batches of bounded size, so that small files cost little.

    Parameters
    ----------
    layout, alignment
        Of all files.
    counts
        Goes on from file to file, see `Counts`.
    report
        Called with each problem of a swing once its batch is handed on.
    """

    def __init__(self, layout: Layout, alignment: Alignment | None, counts: Counts, report: Report) -> None:
        self._layout, self._alignment = layout, alignment
        self._counts, self._report = counts, report
        self._held: list[_Swing] = []
        self._n_samples = 0

    def read(self, reader: RowReader) -> Iterator[RawSwings]:
        """The batches that fill up while a file is read; its last swings are held for the next one.

        Raises
        ------
        InputError
            What `faultml.importing.runs.read_pieces` raises. The swings whole by then are held or have been yielded.
        """
        swing: _Swing | None = None
        for piece in read_pieces(reader):
            if piece.first or swing is None:
                if swing is not None:
                    self._hold(swing)
                if len(self._held) >= BATCH_SWINGS or self._n_samples >= BATCH_SAMPLES:
                    yield self._hand_over()
                swing = _Swing(reader.path, piece.key, int(piece.rows.lines[piece.start]))
            swing.add(piece)
        if swing is not None:
            self._hold(swing)

    def rest(self) -> Iterator[RawSwings]:
        """What is held still."""
        if self._held:
            yield self._hand_over()

    def _hold(self, swing: _Swing) -> None:
        self._held.append(swing)
        self._n_samples += swing.n_samples

    def _hand_over(self) -> RawSwings:
        raw = _raw_swings(self._held, self._layout, self._alignment, self._counts, self._report)
        self._held, self._n_samples = [], 0
        return raw


def read_swings(reader: RowReader, counts: Counts, report: Report) -> Iterator[RawSwings]:
    """All swings of a file, in order, in batches of bounded size; see `SwingPool`.

    Raises
    ------
    InputError
        What `faultml.importing.runs.read_pieces` raises. The swings whole by then have been yielded.
    """
    pool = SwingPool(reader.layout, reader.alignment, counts, report)
    try:
        yield from pool.read(reader)
    except Exception:
        yield from pool.rest()
        raise
    yield from pool.rest()


def arm_reason(arm: str, hand: str, layout: Layout) -> str:
    """Why a recording from this arm of this golfer is no lead wrist's, as a code; "" where it is one."""
    if arm == "lead":
        return "arm-unknown" if needs_side(layout) and hand not in HANDS else ""
    if arm not in HANDS or hand not in HANDS:
        return "arm-unknown"
    return "trail-arm" if arm == hand else ""


@dataclass
class _Swing:
    """One swing as its pieces come; of one that is too long only the beginning is kept."""

    path: Path
    key: tuple[str, ...]
    line: int
    n_samples: int = 0
    t_s: list[NDArray[np.float64]] = field(default_factory=list)
    angles_deg: list[NDArray[np.float64]] = field(default_factory=list)
    sensed: list[NDArray[np.float64]] = field(default_factory=list)
    stated: dict[str, set[str]] = field(default_factory=dict)
    marks_s: set[float] = field(default_factory=set)
    mark_samples: set[float] = field(default_factory=set)
    faults: dict[str, tuple[int, str, str]] = field(default_factory=dict)
    """By code: line, expected, found of the first."""

    def add(self, piece: Piece) -> None:
        rows, span = piece.rows, slice(piece.start, piece.stop)
        most = limits().max_samples + 1 - self.n_samples
        self.t_s.append(rows.t_s[span][:most])
        self.angles_deg.append(rows.angles_deg[:, span][:, :most])
        if rows.sensed is not None:
            self.sensed.append(rows.sensed[:, span][:, :most])
        self.n_samples += len(self.t_s[-1])
        for name in TOLD:
            if name in rows.words:
                self.stated.setdefault(name, set()).update(rows.words[name].given(piece.start, piece.stop))
        _take_marks(self.marks_s, rows.mark_s[span])
        _take_marks(self.mark_samples, rows.mark_sample[span])
        for fault in rows.faults:
            hit = np.flatnonzero(fault.mask[span])
            if len(hit) and fault.code not in self.faults:
                at = piece.start + int(hit[0])
                self.faults[fault.code] = (int(rows.lines[at]), fault.expected, fault.found(at))


def _take_marks(marks: set[float], values: NDArray[np.float64]) -> None:
    if len(marks) < _MAX_MARKS:
        marks.update(np.unique(values[np.isfinite(values)])[:_MAX_MARKS].tolist())


def _raw_swings(
    swings: list[_Swing], layout: Layout, alignment: Alignment | None, counts: Counts, report: Report
) -> RawSwings:
    known = findings()
    columns: dict[str, list] = {
        name: [] for name in (*KEYS, *TOLD, "impact_s", "row", "reason", "noted") if name != "arm"
    }
    lengths, times, angles = [], [np.empty(0)], [np.empty((len(CHANNELS), 0))]
    sensed: list[NDArray[np.float64]] = []
    for swing in swings:
        words = dict(zip(KEYS, swing.key, strict=True))
        arm, hand = words.pop("arm").lower(), words["hand"].lower()
        if not words["swing"] and layout.swings.split == "clock":
            session = (words["player"], words["session"])
            counts[session] += 1
            words["swing"] = f"{counts[session]:03d}"
        ids = [words[name] for name in ID_COLUMNS]
        t_s, angles_deg = np.concatenate(swing.t_s), np.concatenate(swing.angles_deg, axis=1)
        noted = dict(swing.faults)
        kept = _without_repeats(t_s, angles_deg)
        felt = np.concatenate(swing.sensed, axis=1)[:, kept] if swing.sensed else None
        if len(kept) < len(t_s):
            repeated = f"{len(t_s) - len(kept)} rows that stand there already"
            noted["duplicate-rows"] = (swing.line, "each sample once", repeated)
            t_s, angles_deg = t_s[kept], angles_deg[:, kept]
        reason = arm_reason(arm, hand, layout)
        if reason:
            said = f"arm {arm or 'unknown'}, golfer's hand {hand or 'unknown'}"
            noted[reason] = (swing.line, "the lead wrist: left of a right-handed golfer", said)
        stated, disagreeing = _stated_once(swing.stated)
        impact_s, several = _impact_s(swing, t_s)
        for name, found in (disagreeing | several).items():
            noted["inconsistent-rows"] = (swing.line, f"one {name} for a swing", found)
        for code, (line, expected, found) in noted.items():
            report(swing_problem(str(swing.path), line, ids, code, expected, found))
        refused = [code for code in noted if known[code].severity == "refuse"]
        if len(t_s) > limits().max_samples:
            refused.append("")  # the checks refuse it by its length
        words["hand"] = hand if hand in HANDS else ""
        _append(columns, words | stated)
        columns["impact_s"].append(impact_s)
        columns["row"].append(swing.line)
        columns["reason"].append(next(iter(refused), ""))
        columns["noted"].append([code for code in noted if code not in refused[:1]])
        lengths.append(0 if columns["reason"][-1] else len(t_s))
        if lengths[-1]:
            times.append(t_s)
            angles.append(angles_deg)
            sensed += [] if felt is None else [felt]
    columns["shot"] = [split_shot(text) for text in columns["shot"]]
    if alignment is not None:
        columns[MOUNTING_COLUMN] = [alignment.mounting_sd_deg] * len(swings)
    table = raw_table(len(swings), **columns, file=[str(swing.path) for swing in swings])
    return RawSwings(
        table,
        np.array(lengths, dtype=np.int64),
        np.concatenate(times),
        tuple(np.concatenate(angles, axis=1)),
        np.concatenate(sensed, axis=1) if sensed else None,
    )


def _without_repeats(t_s: NDArray[np.float64], angles_deg: NDArray[np.float64]) -> NDArray[np.int64]:
    """Places of the samples without exact copies of earlier ones; rows that rise in time have none."""
    if len(t_s) < 2 or (np.diff(t_s) > 0).all():
        return np.arange(len(t_s))
    rows = np.ascontiguousarray(np.concatenate([t_s[None], angles_deg]).T)
    rows[np.isnan(rows)] = np.nan  # one bit pattern
    _, first = np.unique(rows.view(f"V{rows.itemsize * rows.shape[1]}").ravel(), return_index=True)
    return np.sort(first)


def _append(columns: dict[str, list], values: Mapping[str, str]) -> None:
    for name in (*ID_COLUMNS, "hand", *TOLD):
        columns[name].append(values.get(name, ""))


def _stated_once(stated: Mapping[str, set[str]]) -> tuple[dict[str, str], dict[str, str]]:
    """The only word given for each, and what differs."""
    once = {name: next(iter(words)) for name, words in stated.items() if len(words) == 1}
    return once, {name: ", ".join(sorted(words)[:5]) for name, words in stated.items() if len(words) > 1}


def _impact_s(swing: _Swing, t_s: NDArray[np.float64]) -> tuple[float | None, dict[str, str]]:
    """The contact mark of a swing, and what differs."""
    marks = set(swing.marks_s)
    for sample in swing.mark_samples:
        # A sample outside the swing is a mark outside of it, which the checks tell of.
        marks.add(float(t_s[int(sample)]) if 0 <= sample < len(t_s) else float("inf"))
    if len(marks) == 1:
        return marks.pop(), {}
    several = {"contact": ", ".join(f"{mark:g} s" for mark in sorted(marks))} if marks else {}
    return None, several
