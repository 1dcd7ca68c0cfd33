"""May a challenger take the champion's place? Only where golfers neither has seen show it better.

What counts is golfers, not swings (facts.md): swings of one golfer are alike, so whole golfers are drawn again and
again, the same for both models, and every rule is about the interval that results.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

MARGIN: Final = 0.01
"""Average precision that a challenger may lose on a fault, at most: what is stated in the promotion test's report."""
CERTAINTY: Final = 0.95
"""Of each one-sided bound."""
RESAMPLES: Final = 1000
MIN_ANSWERS: Final = 15
"""Fewer yes or no answers than this, and a fault is not compared in a suite."""
MIN_GOLFERS: Final = 20
"""Fewer golfers than this say nothing: a suite with fewer is reported, and decides nothing."""
_CHUNK: Final = 50
_CLIP: Final = 1e-6


class Demand(NamedTuple):
    """What a suite asks of a challenger, each with `CERTAINTY`.

    Attributes
    ----------
    loss
        What of mean log loss: that it is shown better, that it is not shown worse, or nothing.
    precision
        What of average precision, of each fault and on average: that it is shown to be no worse than the margin, or
        that it is not shown to be worse than that.
    """

    loss: Literal["shown better", "not shown worse", "nothing"]
    precision: Literal["shown no worse", "not shown worse"]

    @property
    def decides(self) -> bool:
        """Whether better must be shown here."""
        return self.loss == "shown better"


DECIDES: Final = Demand("shown better", "shown no worse")
"""Of suites large enough to show it."""
WATCHES: Final = Demand("not shown worse", "not shown worse")
"""Of a few labels beside suites that decide."""
LEADS: Final = Demand("shown better", "not shown worse")
"""Of one coach's few labels where an adaptation is learned from them."""
RANKS: Final = Demand("nothing", "not shown worse")
"""Of suites labelled by the catalogue's edges, for an adaptation that moves edges: it must rank swings as well."""


class Answers(NamedTuple):
    """A suite: what a coach says of swings, and what two models give for them.

    Attributes
    ----------
    name
        Of the suite, as it is reported.
    labels
        ``(n_swings, n_faults)``: 1, 0, NaN where there is no answer.
    champion, challenger
        ``(n_swings, n_faults)`` probabilities; where one of them is NaN the answer is not compared.
    golfers
        ``(n_swings,)``.
    demand
        What is asked of the challenger here.
    min_answers
        Fewer yes or no answers than this, and a fault is not compared.
    folds
        ``(n_swings,)`` where probabilities are of golfers held out: what one fold was taught ranks only its own swings.
        One fold where None.
    """

    name: str
    labels: Array
    champion: Array
    challenger: Array
    golfers: NDArray
    demand: Demand = DECIDES
    min_answers: int = MIN_ANSWERS
    folds: NDArray[np.int64] | None = None


class Gain(NamedTuple):
    """What the challenger gains, above 0 where it is better, with its one-sided lower and upper bound."""

    gain: float
    lo: float
    hi: float


@dataclass(frozen=True)
class Comparison:
    """One suite compared.

    Attributes
    ----------
    name, demand
        As in `Answers`.
    golfers, swings
        That have an answer to a fault that is compared.
    log_loss, average_precision
        Mean gains over the compared faults.
    faults
        Gain in average precision of each compared fault.
    reasons
        Why the challenger is held back here; empty where it is not.
    """

    name: str
    demand: Demand
    golfers: int
    swings: int
    log_loss: Gain | None
    average_precision: Gain | None
    faults: dict[str, Gain]
    reasons: tuple[str, ...]


@dataclass(frozen=True)
class Verdict:
    """Whether a challenger may take the champion's place, and why not."""

    comparisons: tuple[Comparison, ...]
    reasons: tuple[str, ...]

    @property
    def passed(self) -> bool:
        """Whether nothing holds it back."""
        return not self.reasons


def decide(
    faults: tuple[str, ...],
    suites: list[Answers],
    *,
    margin: float = MARGIN,
    resamples: int = RESAMPLES,
    seed: int = 0,
) -> Verdict:
    """Compare two models on every suite.

    What a suite asks, `DECIDES` for one: mean log loss shown better, mean average precision and each fault's shown to
    be no worse than the margin, each with a one-sided certainty of 95 %. All of them must hold, so none needs a
    correction for their number.

    Parameters
    ----------
    faults
        Names of the columns.
    suites
        With as many columns.
    margin
        Average precision.
    resamples, seed
        Of the bootstrap.
    """
    comparisons = tuple(
        compare(faults, suite, margin=margin, resamples=resamples, seed=seed) for suite in suites
    )
    reasons = [f"{each.name}: {reason}" for each in comparisons for reason in each.reasons]
    if not any(each.demand.decides and each.log_loss for each in comparisons):
        reasons.append("no suite has answers enough to decide")
    return Verdict(comparisons, tuple(reasons))


def compare(
    faults: tuple[str, ...],
    suite: Answers,
    *,
    margin: float = MARGIN,
    resamples: int = RESAMPLES,
    seed: int = 0,
) -> Comparison:
    """Compare two models on one suite by a paired bootstrap over golfers (percentile bounds)."""
    known = np.isfinite(suite.labels) & np.isfinite(suite.champion) & np.isfinite(suite.challenger)
    yes = (known & (suite.labels == 1)).sum(axis=0)
    enough = np.flatnonzero(np.minimum(yes, known.sum(axis=0) - yes) >= suite.min_answers)
    used = known[:, enough].any(axis=1)
    golfer = np.unique(suite.golfers[used], return_inverse=True)[1]
    count = int(golfer.max()) + 1 if used.any() else 0
    if count < MIN_GOLFERS or not len(enough):
        few = f"{count} golfers with enough answers, {MIN_GOLFERS} are needed"
        reasons = (few,) if suite.demand.decides else ()
        return Comparison(suite.name, suite.demand, count, int(used.sum()), None, None, {}, reasons)
    weights = golfer_weights(count, resamples, seed)[:, golfer]
    folds = np.zeros(len(suite.labels), dtype=np.int64) if suite.folds is None else suite.folds
    columns = [
        _gains(
            suite.labels[used, column],
            (suite.champion[used, column], suite.challenger[used, column]),
            known[used, column],
            weights,
            folds[used],
        )
        for column in enough
    ]
    losses, precisions = (np.array([column[k] for column in columns]) for k in (0, 1))
    by_fault = {faults[column]: _bounds(row) for column, row in zip(enough, precisions, strict=True)}
    log_loss, precision = _bounds(np.nanmean(losses, axis=0)), _bounds(np.nanmean(precisions, axis=0))
    return Comparison(
        name=suite.name,
        demand=suite.demand,
        golfers=count,
        swings=int(used.sum()),
        log_loss=log_loss,
        average_precision=precision,
        faults=by_fault,
        reasons=tuple(_held_back(suite.demand, log_loss, precision, by_fault, margin)),
    )


def base_rates(labels: Array) -> Array:
    """For each answer how common its fault is: what one knows who has seen no swing."""
    with np.errstate(invalid="ignore"):
        rate = np.nansum(labels, axis=0) / np.isfinite(labels).sum(axis=0)
    return np.broadcast_to(rate, labels.shape).copy()


def golfer_weights(golfers: int, resamples: int, seed: int) -> Array:
    """How often each golfer is drawn, ``(1 + resamples, golfers)``; the first row is the golfers as they are."""
    drawn = np.random.default_rng(seed).multinomial(golfers, np.full(golfers, 1 / golfers), size=resamples)
    return np.vstack([np.ones(golfers), drawn])


def weighted_log_loss(labels: Array, chance: Array, weights: Array) -> Array:
    """Log loss for each row of weights, ``(n_rows,)``."""
    p = np.clip(chance, _CLIP, 1 - _CLIP)
    loss = -np.where(labels == 1, np.log(p), np.log1p(-p))
    with np.errstate(invalid="ignore"):
        return weights @ loss / weights.sum(axis=1)


def weighted_average_precision(labels: Array, chance: Array, weights: Array) -> Array:
    """Average precision for each row of weights, ``(n_rows,)``; NaN where a row holds no yes."""
    order = np.argsort(-chance, kind="stable")
    ends = np.flatnonzero(np.append(np.diff(chance[order]) != 0, True))
    precisions = []
    for first in range(0, len(weights), _CHUNK):
        ordered = weights[first : first + _CHUNK][:, order]
        found = np.cumsum(ordered * labels[order], axis=1)[:, ends]
        called = np.cumsum(ordered, axis=1)[:, ends]
        with np.errstate(invalid="ignore", divide="ignore"):
            gained = np.diff(found, prepend=0.0, axis=1) / found[:, -1:]
            precisions.append((gained * np.where(called > 0, found / called, 0.0)).sum(axis=1))
    return np.concatenate(precisions)


def _gains(
    labels: Array, chances: tuple[Array, Array], known: NDArray, weights: Array, folds: NDArray[np.int64]
) -> tuple[Array, Array]:
    """The challenger's gain in log loss and in average precision for each row of weights."""
    y, w, fold = labels[known], weights[:, known], folds[known]
    champion, challenger = (chance[known] for chance in chances)
    return (
        weighted_log_loss(y, champion, w) - weighted_log_loss(y, challenger, w),
        precision_gain(y, champion, challenger, w, fold),
    )


def precision_gain(
    labels: Array, champion: Array, challenger: Array, weights: Array, folds: NDArray[np.int64]
) -> Array:
    """What the challenger gains in average precision for each row of weights: in each fold, by how many yes it has."""
    gained, counted = np.zeros(len(weights)), np.zeros(len(weights))
    for fold in np.unique(folds):
        at = folds == fold
        yes = weights[:, at] @ labels[at]
        before, after = (
            weighted_average_precision(labels[at], chance[at], weights[:, at])
            for chance in (champion, challenger)
        )
        gained, counted = gained + np.where(yes > 0, yes * (after - before), 0.0), counted + yes
    return np.where(counted > 0, gained / np.maximum(counted, 1e-9), np.nan)


def _bounds(gains: Array) -> Gain:
    lo, hi = np.nanquantile(gains[1:], (1 - CERTAINTY, CERTAINTY))
    return Gain(float(gains[0]), float(lo), float(hi))


def _held_back(
    demand: Demand, log_loss: Gain, precision: Gain, faults: dict[str, Gain], margin: float
) -> list[str]:
    reasons = []
    if demand.loss == "shown better" and log_loss.lo <= 0:
        reasons.append(f"log loss is not shown better (gain {_gain_words(log_loss)})")
    if demand.loss == "not shown worse" and log_loss.hi < 0:
        reasons.append(f"log loss is shown worse (gain {_gain_words(log_loss)})")
    for name, gain in {"the mean": precision, **faults}.items():
        if demand.precision == "shown no worse" and gain.lo <= -margin:
            reasons.append(
                f"{name} may be worse by {margin} or more in average precision (gain {_gain_words(gain)})"
            )
        if demand.precision == "not shown worse" and gain.hi < -margin:
            reasons.append(f"{name} is shown worse (gain {_gain_words(gain)})")
    return reasons


def _gain_words(gain: Gain) -> str:
    return f"{gain.gain:+.4f}, from {gain.lo:+.4f} to {gain.hi:+.4f}"
