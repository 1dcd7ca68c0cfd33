"""Pieces of a file gathered into swings as every reader of the season hands them on."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from faultml.channels import CHANNELS, ID_COLUMNS
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


def read_swings(reader: RowReader, counts: Counts, report: Report) -> Iterator[RawSwings]:
    """All swings of a file, in order, in batches of bounded size.

    Parameters
    ----------
    reader
        Of the file.
    counts
        Goes on from file to file, see `Counts`.
    report
        Called with each problem of a swing.

    Raises
    ------
    InputError
        What `faultml.importing.runs.read_pieces` raises. The swings whole by then have been yielded.
    """
    held: list[_Swing] = []
    swing: _Swing | None = None

    def hand_over() -> RawSwings:
        raw = _raw_swings(held, reader, counts, report)
        held.clear()
        return raw

    pieces = read_pieces(reader)
    try:
        for piece in pieces:
            if piece.first or swing is None:
                if swing is not None:
                    held.append(swing)
                if len(held) >= BATCH_SWINGS or sum(each.n_samples for each in held) >= BATCH_SAMPLES:
                    yield hand_over()
                swing = _Swing(piece.key, int(piece.rows.lines[piece.start]))
            swing.add(piece)
    except Exception:
        if held:  # whole before the damage; the swing in hand is not
            yield hand_over()
        raise
    if swing is not None:
        held.append(swing)
    if held:
        yield hand_over()


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

    key: tuple[str, ...]
    line: int
    n_samples: int = 0
    t_s: list[NDArray[np.float64]] = field(default_factory=list)
    angles_deg: list[NDArray[np.float64]] = field(default_factory=list)
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


def _raw_swings(swings: list[_Swing], reader: RowReader, counts: Counts, report: Report) -> RawSwings:
    layout, known = reader.layout, findings()
    columns: dict[str, list] = {
        name: [] for name in (*KEYS, *TOLD, "impact_s", "row", "reason", "noted") if name != "arm"
    }
    lengths, times, angles = [], [np.empty(0)], [np.empty((len(CHANNELS), 0))]
    for swing in swings:
        words = dict(zip(KEYS, swing.key, strict=True))
        arm, hand = words.pop("arm").lower(), words["hand"].lower()
        if not words["swing"] and layout.swings.split == "clock":
            session = (words["player"], words["session"])
            counts[session] += 1
            words["swing"] = f"{counts[session]:03d}"
        ids = [words[name] for name in ID_COLUMNS]
        t_s = np.concatenate(swing.t_s)
        noted = dict(swing.faults)
        reason = arm_reason(arm, hand, layout)
        if reason:
            said = f"arm {arm or 'unknown'}, golfer's hand {hand or 'unknown'}"
            noted[reason] = (swing.line, "the lead wrist: left of a right-handed golfer", said)
        stated, disagreeing = _stated_once(swing.stated)
        impact_s, several = _impact_s(swing, t_s)
        for name, found in (disagreeing | several).items():
            noted["inconsistent-rows"] = (swing.line, f"one {name} for a swing", found)
        for code, (line, expected, found) in noted.items():
            report(swing_problem(str(reader.path), line, ids, code, expected, found))
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
            angles.append(np.concatenate(swing.angles_deg, axis=1))
    columns["shot"] = [split_shot(text) for text in columns["shot"]]
    if reader.alignment is not None:
        columns[MOUNTING_COLUMN] = [reader.alignment.mounting_sd_deg] * len(swings)
    table = raw_table(len(swings), **columns, file=[str(reader.path)] * len(swings))
    return RawSwings(
        table, np.array(lengths, dtype=np.int64), np.concatenate(times), tuple(np.concatenate(angles, axis=1))
    )


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
