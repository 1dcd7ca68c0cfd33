"""Which recordings were not assessed, and why, in words."""

from __future__ import annotations

from typing import Final

import pandas as pd

from faultml.recordings.findings import findings
from faultml.report.text import count, listed, shown

MAX_SWINGS: Final = 8
"""Recordings that are named for one reason and player."""


def why_words(reason: str) -> str:
    """A reason in words."""
    known = findings()
    return known[reason].words if reason in known else reason.replace("-", " ")


def not_assessed_lines(swings: pd.DataFrame) -> list[str]:
    """A line for each player and reason with the recordings that it holds for, the most frequent reason first.

    Parameters
    ----------
    swings
        Columns ``player, session, swing, assessed, reason``.
    """
    out = swings[~swings["assessed"].astype(bool)]
    most = out["reason"].value_counts()
    lines = []
    for reason in most.index:
        for player, own in out[out["reason"] == reason].groupby("player", sort=True):
            names = [f"{shown(row.session)} swing {shown(row.swing)}" for row in own.itertuples(index=False)]
            more = [f"{len(names) - MAX_SWINGS} more"] if len(names) > MAX_SWINGS else []
            which = listed([*names[:MAX_SWINGS], *more])
            lines.append(
                f"{shown(player)}, {count(len(names), 'recording')}: {why_words(str(reason))} ({which})."
            )
    return lines
