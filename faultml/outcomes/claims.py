"""What may be claimed of a change: the smallest change worth claiming, and the verdict."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import pandas as pd
from scipy.special import ndtri

from faultml.outcomes.periods import Periods
from faultml.outcomes.rules import ClaimRules
from faultml.outcomes.session_means import Floats, Ints

Verdict = Literal["held", "no-change", "worse", "not-yet", "too-few", "no-controls"]

DECIDED: Final = ("held", "no-change", "worse")
"""Verdicts of a change that was decided."""


@dataclass(frozen=True)
class Counts:
    """What the sessions of each assignment's period add up to."""

    sums: pd.DataFrame
    sessions: Floats
    inverse: Floats
    """Sum over the sessions of one over their swings."""

    @property
    def swings(self) -> Floats:
        """Measured swings."""
        return self.sums["n_measured"].to_numpy(float)

    def mean(self, total: str, count: str) -> Floats:
        """A mean over swings, NaN where there are none."""
        n = self.sums[count].to_numpy(float)
        return np.divide(self.sums[total].to_numpy(float), n, out=np.full(len(n), np.nan), where=n > 0)

    def error(self, of_session: float, of_swing: Floats) -> Floats:
        """Variance of the mean over the sessions, from those of a session and of a swing in it."""
        sessions = np.maximum(self.sessions, 1.0)
        return of_session / sessions + of_swing * self.inverse / sessions**2


def count_sessions(each: Periods, windows: Ints) -> Counts:
    """What the sessions in one window of each assignment's player add up to."""
    rows = each.rows.assign(
        player=each.player, window=each.window, sessions=1.0, inverse=1 / each.rows["n_measured"]
    )
    columns = ["n", "p", "n_measured", "measure", "n_retest", "sessions", "inverse"]
    wanted = pd.MultiIndex.from_arrays([each.owner, windows])
    sums = rows.groupby(["player", "window"])[columns].sum().reindex(wanted, fill_value=0.0)
    return Counts(sums, sums["sessions"].to_numpy(float), sums["inverse"].to_numpy(float))


def smallest_change(
    before: Counts, after: Counts, session_sd_deg: float, swing_sd_deg: Floats, rules: ClaimRules
) -> Floats:
    """The smallest change worth claiming, degrees: that between two single readings, less for means of many.

    Parameters
    ----------
    session_sd_deg
        How much a player's sessions differ.
    swing_sd_deg
        How much each assignment's player's swings differ within a session.
    """
    reading = rules.single_reading_deg / (ndtri(0.975) * np.sqrt(2))
    of_session = max(session_sd_deg**2, rules.session_part * reading**2)
    of_swing = np.maximum(swing_sd_deg**2, (1 - rules.session_part) * reading**2)
    error = before.error(of_session, of_swing) + after.error(of_session, of_swing)
    return np.maximum(ndtri(0.975) * np.sqrt(error), rules.min_deg)


def verdicts(table: pd.DataFrame, controls: Ints, rules: ClaimRules) -> np.ndarray:
    """The `Verdict` of every change.

    With fewer controls than `rules.min_controls` nothing is decided, whatever the change: a drift of the whole group
    can look like a gain, like harm, or hide either. Were only the gains withheld, what a drill brings would be learned
    from those without one.

    Parameters
    ----------
    table
        Columns ``before_swings, after_swings, change, change_lo, change_hi, smallest`` of `changes`.
    controls
        Players without a drill for the fault who were recorded before and after it was given.
    """
    few = (table["before_swings"] < rules.min_swings) | (table["after_swings"] < rules.min_swings)
    large = table["change"].abs() >= table["smallest"]
    return np.select(
        [
            table["after_swings"] == 0,
            few,
            controls < rules.min_controls,
            large & (table["change_hi"] < 0),
            large & (table["change_lo"] > 0),
        ],
        ["not-yet", "too-few", "no-controls", "held", "worse"],
        "no-change",
    )
