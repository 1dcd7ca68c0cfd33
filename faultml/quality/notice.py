"""Everything a batch's motion says against its recordings, by the codes of ``findings.toml``."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from faultml.channels import ID_COLUMNS
from faultml.motion.coach_landmarks import Placed
from faultml.motion.curves import Curves
from faultml.quality.address import no_still_address
from faultml.quality.direction import suspect_directions
from faultml.quality.mounting import suspect_mounting
from faultml.recordings.corrections import MOVABLE
from faultml.recordings.findings import findings, limits
from faultml.recordings.problems import Problem, swing_problem
from faultml.recordings.swings import SwingBatch

Mask = NDArray[np.bool_]


def notice_motion(batch: SwingBatch, placed: Placed, curves: Curves, full: Mask) -> dict[str, Mask]:
    """Which swings carry each finding of their motion, ``(n_swings,)`` by code.

    Parameters
    ----------
    placed
        Windows and landmarks, with those that a coach has moved.
    full
        ``(n_swings,)`` which are taken for full swings.
    """
    bounds = limits().motion
    windows, landmarks = placed.windows, placed.landmarks
    read = batch.table["reason"].to_numpy(object) == ""
    full = full & read
    noticed = suspect_directions(windows, full, bounds)
    noticed["no-still-address"] = no_still_address(windows, landmarks, full, bounds)
    noticed["mounting-suspected"] = suspect_mounting(curves, full)
    noticed["contact-mark-ignored"] = (
        np.isfinite(batch.table["impact_s"].to_numpy(float))
        & ~windows.marked
        & ~placed.used[:, MOVABLE.index("impact")]
    )
    noticed["coach-landmark-ignored"] = placed.ignored
    return {code: mask & read for code, mask in noticed.items()}


def refusals(noticed: dict[str, Mask], count: int) -> NDArray[np.object_]:
    """The first refusing code of each swing; "" where there is none."""
    reason = np.full(count, "", dtype=object)
    for code, mask in noticed.items():
        if findings()[code].severity == "refuse":
            reason[mask & (reason == "")] = code
    return reason


def with_noticed(codes: Sequence[tuple[str, ...]], noticed: dict[str, Mask]) -> list[tuple[str, ...]]:
    """Each swing's codes with those noticed in its motion."""
    together = [tuple(own) for own in codes]
    for code, mask in noticed.items():
        for row in np.flatnonzero(mask):
            together[row] += (code,)
    return together


def widening(codes: Sequence[tuple[str, ...]]) -> NDArray[np.float64]:
    """How many times as wide uncertainty is taken for each swing: the widest of its findings."""
    known = findings()
    # Few combinations stand in many swings: each is looked up once.
    widest = {own: max((known[code].widening for code in own), default=1.0) for own in set(codes)}
    return np.array([widest[own] for own in codes])


def motion_problems(batch: SwingBatch, codes: Sequence[tuple[str, ...]]) -> list[Problem]:
    """Problem rows for the findings that came with the motion; `codes` are each swing's, all of them."""
    known, table = findings(), batch.table
    problems = []
    for row, (all_codes, before) in enumerate(zip(codes, table["findings"], strict=True)):
        for code in all_codes[len(before) :]:
            if known[code].problem:
                ids = [table[name][row] for name in ID_COLUMNS]
                file, line = (table[name][row] if name in table else None for name in ("file", "row"))
                problems.append(
                    swing_problem(file or "", line or 0, ids, code, known[code].expected, "the reverse")
                )
    return problems
