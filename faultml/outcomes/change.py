"""Did it change? Before and after each drill, what chance alone gives back, and what remains of practice."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from faultml.faults.catalogue import Catalogue, Fault
from faultml.outcomes.claims import DECIDED, count_sessions, smallest_change, verdicts
from faultml.outcomes.model import GroupModel, Guess, log_grid, mixture_quantiles
from faultml.outcomes.periods import (
    Periods,
    is_after,
    measured,
    periods_of,
    rows_for,
    season_sessions,
    shown,
    to_degrees,
)
from faultml.outcomes.rules import OutcomeRules, TrendRules, load_outcome_rules
from faultml.outcomes.session_means import Floats, Ints, PairOfMeans, Sessions
from faultml.results.sessions import natural_key

N_DRIFT: Final = 9

ASSIGNED: Final = ("player", "drill", "fault", "since")
FOUND_COLUMNS: Final = ("found_verdict", "found_change", "found_change_lo", "found_change_hi")
CHANGE_COLUMNS: Final = [
    *ASSIGNED, "verdict", "unit",
    "before", "before_swings", "before_sessions", "after", "after_swings", "after_sessions", "retest_swings",
    "change", "change_lo", "change_hi", "change_sd", "shared_sd", "smallest", "allowance", "trend",
    "rate_before", "rate_after", "rate_change", "rate_lo", "rate_hi",
    "practice_swings", "practice_change", "practice_lo", "practice_hi", "kept",
    *FOUND_COLUMNS,
]  # fmt: skip

NOT_MOVED: Final[dict[str, str | float]] = {
    name: "" if name == "found_verdict" else float("nan") for name in FOUND_COLUMNS
}


def changes(
    sums: pd.DataFrame,
    assigned: pd.DataFrame,
    catalogue: Catalogue,
    rules: OutcomeRules | None = None,
    found: pd.DataFrame | None = None,
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
    found
        The same sums with landmarks as found, where coaches have moved some.

    Returns
    -------
    DataFrame
        `CHANGE_COLUMNS`, a row an assignment in the order given. ``before``, ``after`` are means of the measure in
        ``unit``; all changes are signed + worse, in that unit. ``change`` is what the drill may have brought, with a
        90 % interval and its SD (``shared_sd`` of which all changes of the fault share): after against the true mean
        before, ``allowance`` (what chance alone gives back) and ``trend`` (what changed in players without the drill)
        taken out. ``smallest`` is the smallest change worth claiming. ``rate_*`` is the same for how often the fault
        shows. ``practice_change`` is the change while practising with feedback, ``kept`` the part of it that remained
        without (NaN where practice itself shows no change worth claiming). ``verdict``: `Verdict`. ``found_*`` are
        verdict and change with landmarks as found; "" and NaN where no landmark of the season was moved.
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
    table = pd.concat(parts).sort_index().reset_index(drop=True)
    if found is None:
        return table.assign(**NOT_MOVED)[CHANGE_COLUMNS]
    plain = changes(found, assigned, catalogue, rules)
    moved = {name: plain[name.removeprefix("found_")].to_numpy() for name in FOUND_COLUMNS}
    return table.assign(**moved)[CHANGE_COLUMNS]


def all_changes(
    sums: pd.DataFrame,
    assigned: pd.DataFrame | None,
    earlier: pd.DataFrame | None,
    catalogue: Catalogue,
    found: pd.DataFrame | None = None,
) -> pd.DataFrame | None:
    """What became of the drills of this season and of those before, each drill given once; None where there is none.

    Parameters
    ----------
    sums, assigned, catalogue, found
        As in `changes`.
    earlier
        `changes` of earlier seasons. Of a drill in several seasons the decided change counts, else the later.
    """
    parts = [] if earlier is None else [earlier]
    if assigned is not None:
        parts.append(changes(sums, assigned, catalogue, found=found))
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
    controls: Ints


@dataclass(frozen=True)
class _Trend:
    """What changed around a day in players without a drill for the fault.

    ``stretch`` is by how much their changes scatter more than their sessions explain (1: no more).
    """

    mean: float
    variance: float
    stretch: float
    controls: int


def _of_fault(rows: pd.DataFrame, assigned: pd.DataFrame, fault: Fault, rules: OutcomeRules) -> pd.DataFrame:
    """All assignments of one fault; keeps their index.

    What was played beside practice on the day a drill was given is before that drill, and is not after an earlier one
    for the fault: players' first drills, second drills and so on are each read on their own where that differs.
    """
    order = assigned.groupby("player")["since"].transform(lambda since: since.map(_places(since)))
    together = rows_for(rows, assigned)
    parts = [(each, rows_for(rows, each)) for _, each in assigned.groupby(order)]
    if all(len(own) == len(together) for _, own in parts):
        return _of_assignments(together, assigned, fault, rules)
    return pd.concat(
        _of_assignments(own, assigned, fault, rules).loc[each.index] for each, own in parts
    ).sort_index()


def _places(since: pd.Series) -> dict[str, int]:
    """Each day's place among the days on which a player was given a drill."""
    return {day: place for place, day in enumerate(sorted(set(since), key=natural_key))}


def _of_assignments(
    rows: pd.DataFrame, assigned: pd.DataFrame, fault: Fault, rules: OutcomeRules
) -> pd.DataFrame:
    """All assignments of one fault, from rows that tell of them."""
    everything = periods_of(rows[rows["n_measured"] > 0], assigned)
    practising = everything.rows["practice"].to_numpy(bool)
    free, practice = everything.take(~practising), everything.take(practising)
    scale, per_share = to_degrees(fault), 100 * rules.rate.degrees_per_percent
    angle = Quantity(everything, lambda each: measured(each, fault), -rules.group.inside_deg, rules)
    often = Quantity(everything, lambda each: shown(each, per_share), per_share * rules.rate.typical, rules)
    change, rate = angle.change(assigned), often.change(assigned)
    practised = angle.practice_change(assigned)
    counts = {
        "before": count_sessions(free, free.before),
        "after": count_sessions(free, free.after),
        "practice": count_sessions(practice, practice.after),
    }
    spread = angle.session_sd_deg, angle.swing_sd_deg
    smallest = smallest_change(counts["before"], counts["after"], *spread, rules.claim)
    practice_smallest = smallest_change(counts["before"], counts["practice"], *spread, rules.claim)
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
    gained = (practised.high < 0) & (-practised.estimate >= practice_smallest)
    table["kept"] = np.divide(
        change.estimate,
        practised.estimate,
        out=np.full(len(table), np.nan),
        where=gained & (counts["after"].swings > 0),
    )
    table["verdict"] = verdicts(table, change.controls, rules.claim)
    return assigned.join(_blank_where_unseen(table))


class Quantity:
    """One quantity of a fault (its measure, or how often it shows) over the group's sessions.

    The model is made from the sessions without feedback.
    """

    def __init__(
        self,
        everything: Periods,
        read: Callable[[Periods], Sessions],
        typical_deg: float,
        rules: OutcomeRules,
    ) -> None:
        self._rules, self._everything = rules, everything
        self._practising = everything.rows["practice"].to_numpy(bool)
        self._free = everything.take(~self._practising)
        self._all_sessions = read(everything)
        self._sessions = self._all_sessions.take(~self._practising)
        self._model = GroupModel(
            self._sessions,
            len(everything.players),
            self._free.window,
            everything.n_windows,
            typical_deg,
            rules.group,
        )

    @property
    def session_sd_deg(self) -> float:
        """How much a player's sessions differ."""
        return self._model.session_sd_deg

    @property
    def swing_sd_deg(self) -> Floats:
        """How much the swings of each assignment's player differ within a session."""
        return self._model.swing_sd_deg(self._everything.owner)

    def change(self, assigned: pd.DataFrame) -> _Change:
        """From before each assignment to after it, without feedback."""
        free = self._free
        return self._against(assigned, self._model.free.pair(free.owner, free.before, free.after))

    def practice_change(self, assigned: pd.DataFrame) -> _Change:
        """From before each assignment to the swings with feedback after it."""
        each = self._everything
        # Practice makes periods of its own behind those without feedback.
        window = each.window + each.n_windows * self._practising
        means = self._model.means(self._all_sessions, window, 2 * each.n_windows)
        return self._against(assigned, means.pair(each.owner, each.before, each.n_windows + each.after))

    def _against(self, assigned: pd.DataFrame, pair: PairOfMeans) -> _Change:
        model, rules = self._model, self._rules
        guess = model.changes(pair)
        around = {since: self._trend(since, rules.trend) for since in assigned["since"].unique()}
        trends = [around[since] for since in assigned["since"]]
        trend = np.array([each.mean for each in trends])
        own = (guess.variance - guess.shared_variance) * np.array([each.stretch for each in trends]) ** 2
        shared = guess.shared_variance + np.array([each.variance for each in trends])
        mean = guess.mean - trend
        sd = np.sqrt(own + shared)
        tail = (1 - rules.claim.interval) / 2
        flat = (-1, len(assigned))
        low, high = mixture_quantiles(
            model.weight.ravel(), mean.reshape(flat), sd.reshape(flat), (tail, 1 - tail)
        )
        estimate = model.average(mean)
        return _Change(
            estimate=estimate,
            low=low,
            high=high,
            sd=np.sqrt(model.average(sd**2 + (mean - estimate) ** 2)),
            # What is not known of the group bends all who were chosen the same way.
            shared_sd=np.sqrt(model.average(shared + (mean - estimate) ** 2)),
            allowance=model.average(pair.before[:, None, :] - model.true_means(pair).mean),
            trend=trend,
            controls=np.array([each.controls for each in trends], dtype=np.int64),
        )

    def _trend(self, since: str, rules: TrendRules) -> _Trend:
        free = self._free
        bare = ~np.isin(free.player, free.owner)
        later = np.array([is_after(session, since) for session in free.rows["session"][bare]], dtype=np.int64)
        means = self._model.means(self._sessions.take(bare), later, 2)
        both = np.flatnonzero(means.seen.all(axis=1))
        pair = means.pair(both, np.zeros_like(both), np.ones_like(both))
        change, variance = self._summary(self._model.changes(pair))
        count = len(both)
        precision, middle, stretch = 0.0, 0.0, 1.0
        if count:
            middle = np.average(change, weights=1 / variance)
            off = ((change - middle) ** 2 / variance).sum()
            stretch = np.sqrt(max(1.0, (rules.scatter_known + off) / (rules.scatter_known + count - 1)))
            precision = (1 / (variance * stretch**2)).sum()
        mean, of_mean = _drawn_to_zero(middle, precision, rules)
        return _Trend(mean, of_mean, float(stretch), count)

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
