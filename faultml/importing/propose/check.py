"""What a layout would read of a file, without writing anything: the first swing, ranges, and what its signs show."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

import numpy as np

from faultml.channels import CHANNELS, ID_COLUMNS
from faultml.importing.importer import Cutter
from faultml.importing.layout import Layout
from faultml.importing.propose.clock import mean_step
from faultml.importing.propose.motion import backswing_direction, find_moves
from faultml.importing.recording import read_recordings
from faultml.importing.rows import RowReader
from faultml.importing.season import alignment_of
from faultml.importing.swings import read_swings
from faultml.recordings.checks import check_swings
from faultml.recordings.findings import limits
from faultml.recordings.problems import Problem
from faultml.recordings.raw import RawSwings
from faultml.recordings.swings import SwingBatch

MAX_SWINGS: Final = 50
MAX_SAMPLES: Final = 200_000

_EXPECTED: Final = {"ulnar_deg": -1, "pronation_deg": 1}
_SHOWN: Final = {
    ("ulnar_deg", -1): "falls (hinges) going back, as it should",
    ("ulnar_deg", 1): "RISES going back: a lead wrist hinges there, so the sign may be the wrong way round",
    ("pronation_deg", 1): "rises (rolls open) going back, as it should",
    (
        "pronation_deg",
        -1,
    ): "FALLS going back: a lead forearm rolls open there, so the sign may be the wrong way round",
}


@dataclass
class Check:
    """What was read: swings (or recordings) seen, of the first one its ids and figures; lines on signs; problems; the
    swings as they would be judged."""

    swings: int = 0
    first: dict[str, object] = field(default_factory=dict)
    ranges_deg: dict[str, tuple[float, float]] = field(default_factory=dict)
    medians_deg: dict[str, float] = field(default_factory=dict)
    signs: dict[str, str] = field(default_factory=dict)
    signs_fit: bool = True
    problems: list[Problem] = field(default_factory=list)
    batches: list[SwingBatch] = field(default_factory=list)


def check_layout(
    layout: Layout,
    layout_path: Path,
    path: Path,
    hands: dict[str, str] | None = None,
    cut: Cutter | None = None,
) -> Check:
    """Read the beginning of a file by a layout without open questions.

    Parameters
    ----------
    hands
        Handedness by player.
    cut
        What cuts a recording, for split ``stream``; without it none of its swings is there to be judged.

    Raises
    ------
    InputError
        What the reader says of a file that does not fit.
    """
    check = Check()
    reader = RowReader(path, layout, hands or {}, str, alignment_of(layout, layout_path))
    recordings = []
    if layout.swings.split == "stream":
        for recording in read_recordings(reader, check.problems.append):
            ids = {"player": recording.player, "session": recording.session, "hand": recording.hand}
            blocks, n_samples = [], 0
            for block in recording.blocks:
                blocks.append(block)
                n_samples += len(block.t_s)
                if n_samples >= MAX_SAMPLES:
                    break
            t_s = np.concatenate([block.t_s for block in blocks])
            marks = sum(len(block.marks_s) for block in blocks)
            _take(check, ids | {"contacts": marks}, t_s)
            recordings.append((t_s, np.concatenate([block.angles_deg for block in blocks], axis=1)))
            if cut is not None:
                check.batches += [piece.batch for piece in cut(replace(recording, blocks=iter(blocks)), 1)]
            break
    else:
        for raw in read_swings(reader, Counter(), check.problems.append):
            recordings += _swings(check, raw)
            checked = check_swings(raw)
            check.batches.append(checked.batch)
            check.problems += checked.problems
            if check.swings >= MAX_SWINGS:
                break
    _judge(check, recordings)
    return check


def _swings(check: Check, raw: RawSwings) -> list[tuple[np.ndarray, np.ndarray]]:
    ends = np.cumsum(raw.lengths)
    recordings = []
    for at, (end, length) in enumerate(zip(ends, raw.lengths, strict=True)):
        if not length:
            continue
        span = slice(end - length, end)
        ids = {name: raw.table[name][at].as_py() for name in (*ID_COLUMNS, "hand", "impact_s")}
        _take(check, ids, raw.t_s[span])
        recordings.append(
            (raw.t_s[span], np.stack([channel[span] for channel in raw.angles_deg]).astype(float))
        )
    return recordings


def _take(check: Check, ids: dict[str, object], t_s: np.ndarray) -> None:
    check.swings += 1
    if not check.first:
        steps = np.diff(t_s)
        rate_hz = 1 / mean_step(steps) if len(steps) and np.median(steps) > 0 else float("nan")
        figures = {
            "samples": len(t_s),
            "from_s": float(t_s[0]),
            "to_s": float(t_s[-1]),
            "rate_hz": round(rate_hz, 1),
        }
        check.first = ids | figures


def _judge(check: Check, recordings: list[tuple[np.ndarray, np.ndarray]]) -> None:
    if not recordings:
        return
    every = np.concatenate([angles for _, angles in recordings], axis=1)
    for channel, name in enumerate(CHANNELS):
        finite = every[channel][np.isfinite(every[channel])]
        if len(finite):
            check.ranges_deg[name] = (float(finite.min()), float(finite.max()))
            check.medians_deg[name] = float(np.median(finite))
    moves = find_moves([(t_s, angles) for t_s, angles in recordings if np.all(np.diff(t_s) > 0)])
    for name, expected in _EXPECTED.items():
        if name in check.ranges_deg and len(moves):
            seen = backswing_direction(moves, CHANNELS.index(name))
            check.signs[name] = _SHOWN.get(
                (name, seen.sign), "goes no clear way in these swings: nothing to tell"
            )
            check.signs_fit &= seen.sign in (expected, 0)
    if "flexion_deg" in check.ranges_deg and len(moves):
        start = float(np.median(moves.start_deg[:, 0]))
        said = f"begins at {start:+.0f}; most lead wrists stand extended (-10 to -30) at address"
        bowed = start > limits().motion.bowed_address_deg
        check.signs["flexion_deg"] = f"{said}: is the sign right?" if bowed else said
        check.signs_fit &= not bowed


def as_text(check: Check) -> str:
    """The check, for a person."""
    lines = [f"{check.swings} read (of the beginning of the file)."]
    if check.first:
        lines.append(
            "The first: " + ", ".join(f"{key} {_short(value)}" for key, value in check.first.items())
        )
    for name, (low, high) in check.ranges_deg.items():
        lines.append(
            f"  {name}: {low:.1f} to {high:.1f} degrees; {check.signs.get(name, 'no full swing to judge by')}"
        )
    lines += [
        f"Problem: {each.code}, expected {each.expected}, found {each.found}" for each in check.problems[:10]
    ]
    if len(check.problems) > 10:
        lines.append(f"and {len(check.problems) - 10} more problems")
    return "\n".join(lines)


def _short(value: object) -> str:
    if isinstance(value, float):
        return f"{value:.3f}".rstrip("0").rstrip(".")
    return "-" if value in (None, "") else str(value)
