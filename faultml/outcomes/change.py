"""Did it change? Before and after each drill, what chance alone gives back, and what remains of practice."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import pandas as pd
from scipy import stats

from faultml.faults.catalogue import Catalogue, Fault
from faultml.outcomes.model import (
    Floats,
    GroupModel,
    Guess,
    Ints,
    Means,
    Sessions,
    log_grid,
    mixture_quantiles,
)
from faultml.outcomes.periods import (
    Periods,
    is_after,
    measured,
    periods_of,
    season_sessions,
    shown,
    to_degrees,
)
from faultml.outcomes.rules import ClaimRules, OutcomeRules, TrendRules, load_outcome_rules

Verdict = Literal["held", "no-change", "worse", "not-yet", "too-few"]

N_DRIFT: Final = 9

DECIDED: Final = ("held", "no-change", "worse")
"""Verdicts of a change that was decided."""

ASSIGNED: Final = ("player", "drill", "fault", "since")
CHANGE_COLUMNS: Final = [
    *ASSIGNED, "verdict", "unit",
    "before", "before_swings", "before_sessions", "after", "after_swings", "after_sessions", "retest_swings",
    "change", "change_lo", "change_hi", "change_sd", "shared_sd", "smallest", "allowance", "trend",
    "rate_before", "rate_after", "rate_change", "rate_lo", "rate_hi",
    "practice_swings", "practice_change", "practice_lo", "practice_hi", "kept",
]  # fmt: skip


def changes(
    sums: pd.DataFrame,
    assigned: pd.DataFrame,
    catalogue: Catalogue,
    rules: OutcomeRules | None = None,
) -> pd.DataFrame:
    """What became of every drill that was given.

    Parameters
    ----------
    sums
        The season's sums (`SUM_COLUMNS`), every player and fault of it: the group is what a player is seen
        against.
    assigned
        ``player, drill, fault, since`` of each assignment; further columns are left alone. ``since`` is an ISO
        date or a session's name: sessions up to it are before, later ones after.
    catalogue
        The faults; an assignment for another fault gets no row.
    rules
        The package's own where not given.

    Returns
    -------
    DataFrame
        `CHANGE_COLUMNS`, a row an assignment in the order given. ``before``, ``after`` are means of the measure in
        ``unit``; all changes are signed + worse, in that unit. ``change`` is what the drill may have brought, with a
        90 % interval and its SD (``shared_sd`` of which all changes of the fault share): after against the true mean
        before, ``allowance`` (what chance alone gives back) and ``trend`` (what changed in players without the drill)
        taken out. ``smallest`` is the smallest change worth claiming. ``rate_*`` is the same for how often the fault
        shows. ``practice_change`` is the change while practising with feedback, ``kept`` the part of it that remained
        without (NaN where practice itself shows no change worth claiming). ``verdict``: `Verdict`.
    """
    rules = rules or load_outcome_rules()
    given = assigned[list(ASSIGNED)].reset_index(drop=True)
    sessions = season_sessions(sums)
    parts = [
        _of_fault(sessions[sessions["fault"] == fault.id], rows, fault, rules)
        for fault in catalogue.faults
        if len(rows := given[given["fault"] == fault.id])
    ]
    if not parts:
        return pd.DataFrame(columns=CHANGE_COLUMNS)
    return pd.concat(parts).sort_index()[CHANGE_COLUMNS].reset_index(drop=True)


def all_changes(
    sums: pd.DataFrame, assigned: pd.DataFrame | None, earlier: pd.DataFrame | None, catalogue: Catalogue
) -> pd.DataFrame | None:
    """What became of the drills of this season and of those before, each drill given once; None where there is none.

    Parameters
    ----------
    sums, assigned, catalogue
        As in `changes`.
    earlier
        `changes` of earlier seasons. Of a drill in several seasons the decided change counts, else the later.
    """
    parts = [] if earlier is None else [earlier]
    if assigned is not None:
        parts.append(changes(sums, assigned, catalogue))
    filled = [part for part in parts if len(part)]
    if not filled:
        return None
    table = pd.concat(filled, ignore_index=True)
    best = table.assign(_decided=table["verdict"].isin(DECIDED)).sort_values("_decided", kind="stable")
    kept = best.drop_duplicates(list(ASSIGNED), keep="last").index
    return table.loc[sorted(kept)].reset_index(drop=True)


@dataclass(frozen=True)
class _Change:
    """Change of one quantity in every assignment of a fault, in the quantity's working degrees."""

    estimate: Floats
    low: Floats
    high: Floats
    sd: Floats
    shared_sd: Floats
    allowance: Floats
    trend: Floats


def _of_fault(rows: pd.DataFrame, assigned: pd.DataFrame, fault: Fault, rules: OutcomeRules) -> pd.DataFrame:
    """All assignments of one fault; keeps their index."""
    everything = periods_of(rows[rows["n_measured"] > 0], assigned)
    practising = everything.rows["practice"].to_numpy(bool)
    free, practice = everything.take(~practising), everything.take(practising)
    scale, per_share = to_degrees(fault), 100 * rules.rate.degrees_per_percent
    angle = Quantity(
        free, lambda each: measured(each.rows, each.player, fault), -rules.group.inside_deg, rules
    )
    often = Quantity(
        free, lambda each: shown(each.rows, each.player, per_share), per_share * rules.rate.typical, rules
    )
    change, rate = angle.change(assigned, free.after), often.change(assigned, free.after)
    practised = angle.practice_change(assigned, practice)
    counts = {
        "before": _counts(free, free.before),
        "after": _counts(free, free.after),
        "practice": _counts(practice, practice.after),
    }
    smallest = angle.smallest(counts["before"], counts["after"])
    table = pd.DataFrame(
        {
            "unit": fault.unit,
            **{f"{side}_swings": counts[side].swings.astype(int) for side in counts},
            **{f"{side}_sessions": counts[side].sessions.astype(int) for side in ("before", "after")},
            **{side: counts[side].mean("measure", "n_measured") for side in ("before", "after")},
            **{f"rate_{side}": counts[side].mean("p", "n") for side in ("before", "after")},
            "retest_swings": counts["after"].sums["n_retest"].to_numpy(int),
            "change": change.estimate / scale,
            "change_lo": change.low / scale,
            "change_hi": change.high / scale,
            "change_sd": change.sd / scale,
            "shared_sd": change.shared_sd / scale,
            "smallest": smallest / scale,
            "allowance": change.allowance / scale,
            "trend": change.trend / scale,
            "rate_change": np.clip(rate.estimate / per_share, -1, 1),
            "rate_lo": np.clip(rate.low / per_share, -1, 1),
            "rate_hi": np.clip(rate.high / per_share, -1, 1),
            "practice_change": practised.estimate / scale,
            "practice_lo": practised.low / scale,
            "practice_hi": practised.high / scale,
        },
        index=assigned.index,
    )
    gained = (practised.high < 0) & (
        -practised.estimate >= angle.smallest(counts["before"], counts["practice"])
    )
    table["kept"] = np.divide(
        change.estimate,
        practised.estimate,
        out=np.full(len(table), np.nan),
        where=gained & (counts["after"].swings > 0),
    )
    table["verdict"] = _verdicts(table, rules.claim)
    return assigned.join(_blank_where_unseen(table))


class Quantity:
    """One quantity of a fault (its measure, or how often it shows) over the group's sessions without feedback."""

    def __init__(
        self, free: Periods, read: Callable[[Periods], Sessions], typical_deg: float, rules: OutcomeRules
    ) -> None:
        self._free, self._read, self._rules = free, read, rules
        self._sessions = read(free)
        self._model = GroupModel(
            self._sessions, len(free.players), free.period, free.drawn, typical_deg, rules.group
        )
        self._means = self._model.means(self._sessions, free.period, free.n_periods)

    def change(self, assigned: pd.DataFrame, after: Ints) -> _Change:
        """From before each assignment to after it, without feedback."""
        return self._against(assigned, _pick(self._means, after))

    def practice_change(self, assigned: pd.DataFrame, practice: Periods) -> _Change:
        """From before each assignment to the swings with feedback after it."""
        means = self._model.means(self._read(practice), practice.period, practice.n_periods)
        return self._against(assigned, _pick(means, practice.after))

    def smallest(self, before: _Counts, after: _Counts) -> Floats:
        """The smallest change worth claiming: that between two single readings, less for means of many."""
        rules = self._rules.claim
        reading = rules.single_reading_deg / (stats.norm.ppf(0.975) * np.sqrt(2))
        of_session = max(self._model.session_sd_deg**2, rules.session_part * reading**2)
        of_swing = np.maximum(
            self._model.swing_sd_deg(self._free.before // self._free.n_windows) ** 2,
            (1 - rules.session_part) * reading**2,
        )
        error = before.error(of_session, of_swing) + after.error(of_session, of_swing)
        return np.maximum(stats.norm.ppf(0.975) * np.sqrt(error), rules.min_deg)

    def _against(self, assigned: pd.DataFrame, after: Means) -> _Change:
        model, rules = self._model, self._rules
        before = _pick(self._means, self._free.before)
        guess = model.changes(before, after)
        around = {since: self._trend(since, rules.trend) for since in assigned["since"].unique()}
        trends = [around[since] for since in assigned["since"]]
        trend, trend_variance, stretch = np.array(trends).reshape(len(assigned), 3).T
        own = (guess.variance - guess.shared_variance) * stretch**2
        shared = guess.shared_variance + trend_variance
        mean = guess.mean - trend
        sd = np.broadcast_to(np.sqrt(own + shared), mean.shape)
        tail = (1 - rules.claim.interval) / 2
        flat = (-1, len(assigned))
        low, high = mixture_quantiles(
            model.weight.ravel(), mean.reshape(flat), sd.reshape(flat), (tail, 1 - tail)
        )
        estimate = model.average(mean)
        raw = before.mean[:, None, :]
        return _Change(
            estimate=estimate,
            low=low,
            high=high,
            sd=np.sqrt(model.average(sd**2 + (mean - estimate) ** 2)),
            # What is not known of the group bends all who were chosen the same way.
            shared_sd=np.sqrt(model.average(shared + (mean - estimate) ** 2)),
            allowance=model.average(raw - model.true_means(before).mean),
            trend=trend,
        )

    def _trend(self, since: str, rules: TrendRules) -> tuple[float, float, float]:
        """What changed around a day in players without a drill for the fault: mean, its variance, and by how
        much their changes scatter more than their sessions explain (1: no more).
        """
        free = self._free
        bare = ~np.isin(free.player, free.before // free.n_windows)
        later = np.array([is_after(session, since) for session in free.rows["session"][bare]], dtype=bool)
        sessions, player = self._sessions.take(bare), free.player[bare]
        means = [
            self._model.means(sessions.take(rows), player[rows], len(free.players))
            for rows in (~later, later)
        ]
        both = np.flatnonzero((means[0].weight[0] > 0) & (means[1].weight[0] > 0))
        guess = self._model.changes(*(_pick(each, both) for each in means))
        change, variance = self._summary(guess)
        count = len(both)
        precision, middle, stretch = 0.0, 0.0, 1.0
        if count:
            middle = np.average(change, weights=1 / variance)
            off = ((change - middle) ** 2 / variance).sum()
            stretch = np.sqrt(max(1.0, (rules.scatter_known + off) / (rules.scatter_known + count - 1)))
            precision = (1 / (variance * stretch**2)).sum()
        mean, of_mean = _drawn_to_zero(middle, precision, rules)
        return mean, of_mean, float(stretch)

    def _summary(self, guess: Guess) -> tuple[Floats, Floats]:
        """Mean and variance over the grid."""
        mean = self._model.average(guess.mean)
        return mean, self._model.average(guess.variance + (guess.mean - mean) ** 2)


def _drawn_to_zero(middle: float, precision: float, rules: TrendRules) -> tuple[float, float]:
    """Mean and variance of a drift that was read as `middle`; how large drifts are is summed over a grid."""
    size, log_prior = log_grid(rules.sd_deg, rules.factor, N_DRIFT)
    total = size**-2 + precision
    mean = precision * middle / total
    log = log_prior - np.log(size) - 0.5 * (np.log(total) + precision * middle**2 - total * mean**2)
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    best = weight @ mean
    return float(best), float(weight @ (1 / total + (mean - best) ** 2))


@dataclass(frozen=True)
class _Counts:
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


def _counts(each: Periods, periods: Ints) -> _Counts:
    rows = each.rows.assign(period=each.period, sessions=1.0, inverse=1 / each.rows["n_measured"])
    columns = ["n", "p", "n_measured", "measure", "n_retest", "sessions", "inverse"]
    sums = rows.groupby("period")[columns].sum().reindex(periods, fill_value=0.0)
    return _Counts(sums, sums["sessions"].to_numpy(float), sums["inverse"].to_numpy(float))


def _pick(means: Means, periods: Ints) -> Means:
    return Means(means.weight[:, periods], means.mean[:, periods])


def _verdicts(table: pd.DataFrame, rules: ClaimRules) -> np.ndarray:
    few = (table["before_swings"] < rules.min_swings) | (table["after_swings"] < rules.min_swings)
    large = table["change"].abs() >= table["smallest"]
    return np.select(
        [
            table["after_swings"] == 0,
            few,
            large & (table["change_hi"] < 0),
            large & (table["change_lo"] > 0),
        ],
        ["not-yet", "too-few", "held", "worse"],
        "no-change",
    )


def _blank_where_unseen(table: pd.DataFrame) -> pd.DataFrame:
    """Without what nothing was measured for: no number stands in for a missing side."""
    blank = table.copy()
    unseen = (table["before_swings"] == 0) | (table["after_swings"] == 0)
    figures = [
        "change", "change_lo", "change_hi", "change_sd", "shared_sd", "smallest", "trend",
        "rate_change", "rate_lo", "rate_hi",
    ]  # fmt: skip
    blank.loc[unseen, figures] = np.nan
    blank.loc[table["before_swings"] == 0, "allowance"] = np.nan
    unpractised = (table["before_swings"] == 0) | (table["practice_swings"] == 0)
    blank.loc[unpractised, ["practice_change", "practice_lo", "practice_hi", "kept"]] = np.nan
    return blank
