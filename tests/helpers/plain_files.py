"""A plain swing by hand, in comma-separated files of any columns, and what a proposal says of them."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from faultml.importing.propose.proposal import Proposal

STILL_S, BACK_S, DOWN_S = 0.4, 0.9, 0.3


def swing(t_s: np.ndarray, start_s: float = 0.0) -> np.ndarray:
    """A plain swing's flexion, ulnar deviation and pronation, degrees, by hand."""
    moments = start_s + np.cumsum([0, STILL_S, BACK_S, DOWN_S - 0.1, 0.1, 0.3])
    return np.array(
        [
            np.interp(t_s, moments, [-18, -18, 5, 5, -8, -15]),
            np.interp(t_s, moments, [12, 12, -25, -22, 14, 10]),
            np.interp(t_s, moments, [2, 2, 45, 40, -10, -50]),
        ]
    )


def written(
    folder: Path, columns: dict[str, np.ndarray], name: str = "ann_2031-01-02_001.csv", head: str = ""
) -> Path:
    rows = (
        ",".join(f"{cell:.9g}" if isinstance(cell, float) else str(cell) for cell in row)
        for row in zip(*columns.values(), strict=True)
    )
    path = folder / name
    path.write_text(head + "\n".join([",".join(columns), *rows]) + "\n", encoding="utf-8")
    return path


def recording(rate_hz: float = 100.0, last_s: float = 2.2) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    t_s = np.arange(0, last_s, 1 / rate_hz)
    flexion, ulnar, pronation = swing(t_s)
    return t_s, {"flexion": flexion, "deviation": ulnar, "roll": pronation}


def values(proposal: Proposal) -> dict[str, object]:
    return {guess.path: guess.value for guess in proposal.guesses}
