"""How much is learned from how many labels: simulated coaches, every fault answered, golfers held out.

``python -m faultml.pipelines.benchmarks.learning_curves [--out docs]``
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final, NamedTuple

import click
import numpy as np
from numpy.typing import NDArray

from faultml.classifier.bundle import load_bundle
from faultml.faults.catalogue import Catalogue, load_catalogue
from faultml.pipelines.benchmarks.coach_suite import (
    ELSEWHERE,
    Simulated,
    Suite,
    draw_suite,
    labelled_by,
    simulated_coaches,
)
from faultml.pipelines.retraining.adapt import learn
from faultml.pipelines.retraining.covariates import learn_covariate_adaptation
from faultml.pipelines.retraining.cross_validation import held_out_chances, promotion_test
from faultml.pipelines.retraining.labelled import (
    UNSURE,
    Labelled,
    chance,
    default_adaptation,
    edges_adaptation,
    log_losses,
)
from faultml.runtime.faults import FaultModel

Array = NDArray[np.float64]

COUNTS: Final = (0, 25, 50, 100, 200, 500, 1000)
HELD_OUT_SHARE: Final = 0.4
BOOTSTRAPS: Final = 400
UPPER: Final = 0.95
SWINGS: Final = 8
SEED: Final = 515


@dataclass(frozen=True)
class Point:
    """One coach, one number of labelled swings.

    What is learned is used as `retrain` uses it: not adopted where it does not pay on the golfers it was learned from,
    held out in turn. Log losses are macro over faults, on golfers held out, mean over draws. Upper bounds are of 95 %,
    over draws of labels and, within each, golfers drawn again, the same for both sides.

    Attributes
    ----------
    loss, default, knowing
        Of what was learned, of the default model, and of one that knew the coach's edges; against answers of the same
        coach without lapses, made to say yes or no.
    closed
        Share of the gap between the last two that is closed; NaN where there is none or edges do not say all.
    edges_loss
        Of what is learned where unsure answers are left out and no edge depends on the rest of the swing.
    elsewhere_loss, elsewhere_edges_loss
        `loss` and `edges_loss` over the faults that one of the coaches judges at other moments.
    difference, difference_hi
        `loss` - `default`, and its upper bound.
    edges_difference_hi
        Upper bound of `loss` - `edges_loss`.
    reported_difference_hi, own_difference_hi
        Upper bounds of learned - default against the coach's own answers, lapses included: as reported, which leaves
        lapses out of both, and with the lapse rate learned in both.
    own_forecast
        Mean of learned - default against those answers, the lapse rate learned in the former alone: what is gained by
        who wants to predict what this coach will say.
    lapse_rate
        As learned.
    """

    coach: str
    swings: int
    loss: float
    default: float
    knowing: float
    closed: float
    edges_loss: float
    elsewhere_loss: float
    elsewhere_edges_loss: float
    difference: float
    difference_hi: float
    edges_difference_hi: float
    reported_difference_hi: float
    own_difference_hi: float
    own_forecast: float
    lapse_rate: float


class _Found(NamedTuple):
    """Losses of one draw by golfer and fault, as sums and counts ``(2, n_golfers, n_faults)`` each."""

    learned: Array
    default: Array
    knowing: Array
    edges: Array
    reported_learned: Array
    reported_default: Array
    own_learned: Array
    own_default: Array


def learning_curves(
    catalogue: Catalogue,
    classifier: FaultModel,
    suite: Suite,
    *,
    counts: tuple[int, ...] = COUNTS,
    draws: int = 4,
    seed: int = 0,
    coaches: Sequence[str] = (),
) -> list[Point]:
    """The simulated coaches, or some, at each number of labelled swings; every draw splits the golfers anew."""
    points = []
    elsewhere = np.isin(catalogue.ids, list(ELSEWHERE))
    for name, each in simulated_coaches(catalogue, np.random.default_rng(0)).items():
        if coaches and name not in coaches:
            continue
        predicted: dict[int, list[tuple[_Found, float]]] = {count: [] for count in counts}
        for draw in range(draws):
            random = np.random.default_rng([seed, draw])
            coach = simulated_coaches(catalogue, random)[name]
            for count, found in _one_draw(catalogue, classifier, suite, coach, counts, random).items():
                predicted[count].append(found)
        points += [
            _point(name, count, found, elsewhere, edges_say_all=not each.elsewhere)
            for count, found in predicted.items()
            if found
        ]
    return points


def _one_draw(
    catalogue: Catalogue,
    classifier: FaultModel,
    suite: Suite,
    coach: Simulated,
    counts: tuple[int, ...],
    random: np.random.Generator,
) -> dict[int, tuple[_Found, float]]:
    """Losses, and the lapse rate learned, for each count."""
    names = random.permutation(np.unique(suite.golfers))
    out = np.isin(suite.golfers, names[: round(HELD_OUT_SHARE * len(names))])
    own, steady = coach.answers(catalogue, suite, random), coach.steady(catalogue, suite, random)
    train = labelled_by(catalogue, classifier, suite, own).rows(~out)
    test = labelled_by(catalogue, classifier, suite, steady).rows(out)
    order = random.permutation(len(train.golfers))
    default = chance(classifier, test, default_adaptation(catalogue))
    knowing = chance(classifier, test, edges_adaptation(catalogue, coach.coach.bias))

    def losses(answers: Array, predicted: Array) -> Array:
        return _by_golfer(log_losses(answers[out], predicted), test.golfers)

    found = {}
    for count in counts:
        if count > len(order):
            continue
        given = train.rows(order[:count])
        found_now = learn_covariate_adaptation(catalogue, classifier, given)
        adaptation = found_now.adaptation
        learned = default
        if adaptation.moved.any():
            chances = held_out_chances(catalogue, classifier, given, found_now)
            if promotion_test(catalogue, given, *chances).passed:
                learned = chance(classifier, test, adaptation)
        edges = chance(classifier, test, learn(catalogue, classifier, _sure(given)).adaptation)
        with_lapses = (
            adaptation.lapse_rate + (1 - 2 * adaptation.lapse_rate) * predicted
            for predicted in (learned, default)
        )
        found[count] = (
            _Found(
                *(losses(steady, predicted) for predicted in (learned, default, knowing, edges)),
                *(losses(own, predicted) for predicted in (learned, default, *with_lapses)),
            ),
            adaptation.lapse_rate,
        )
    return found


def _sure(labelled: Labelled) -> Labelled:
    return replace(labelled, answers=np.where(labelled.answers == UNSURE, np.nan, labelled.answers))


def _by_golfer(losses: Array, golfers: NDArray[np.object_]) -> Array:
    """Sums and counts, ``(2, n_golfers, n_faults)``."""
    _, owner = np.unique(golfers, return_inverse=True)
    sums = np.zeros((2, owner.max() + 1, losses.shape[1]))
    np.add.at(sums[0], owner, np.nan_to_num(losses))
    np.add.at(sums[1], owner, np.isfinite(losses))
    return sums


def _macro(sums: Array) -> Array:
    """Mean over faults of the mean over answers; ``(..., 2, n_golfers, n_faults)`` in."""
    total = sums.sum(axis=-2)
    return np.asarray((total[..., 0, :] / np.maximum(total[..., 1, :], 1)).mean(axis=-1))


def _point(
    name: str,
    count: int,
    predicted: list[tuple[_Found, float]],
    elsewhere: NDArray[np.bool_],
    *,
    edges_say_all: bool,
) -> Point:
    found = [np.stack(each) for each, _ in predicted]
    mean = _Found(*np.mean([_macro(sums) for sums in found], axis=0))
    there = _Found(*np.mean([_macro(sums[..., elsewhere]) for sums in found], axis=0))
    random = np.random.default_rng(1)
    bounds = []
    for _ in range(BOOTSTRAPS):
        # A draw of labels, and golfers of it, drawn again.
        sums = found[random.integers(len(found))]
        again = _Found(*_macro(sums[:, :, random.integers(0, sums.shape[2], sums.shape[2])]))
        bounds.append(
            (
                again.learned - again.default,
                again.learned - again.edges,
                again.reported_learned - again.reported_default,
                again.own_learned - again.own_default,
            )
        )
    high, edges_high, reported_high, own_high = np.quantile(bounds, UPPER, axis=0)
    gap = mean.default - mean.knowing
    return Point(
        coach=name,
        swings=count,
        loss=float(mean.learned),
        default=float(mean.default),
        knowing=float(mean.knowing),
        closed=float((mean.default - mean.learned) / gap) if edges_say_all and gap > 1e-4 else float("nan"),
        edges_loss=float(mean.edges),
        elsewhere_loss=float(there.learned),
        elsewhere_edges_loss=float(there.edges),
        difference=float(mean.learned - mean.default),
        difference_hi=float(high),
        edges_difference_hi=float(edges_high),
        reported_difference_hi=float(reported_high),
        own_difference_hi=float(own_high),
        own_forecast=float(mean.own_learned - mean.reported_default),
        lapse_rate=float(np.mean([lapse_rate for _, lapse_rate in predicted])),
    )


@click.command()
@click.option("--golfers", default=300, show_default=True)
@click.option("--draws", default=4, show_default=True)
@click.option(
    "--out",
    type=click.Path(path_type=Path, exists=True, file_okay=False),
    help="Folder for the page and its figure: docs in the checkout.",
)
def main(golfers: int, draws: int, out: Path | None) -> None:
    """Print the learning curves of the default model, on generated golfers; with --out write them as a page.

    \b
    Example:
      python -m faultml.pipelines.benchmarks.learning_curves --out docs
    """
    from faultml.pipelines.benchmarks.learning_page import table, write_page

    catalogue, bundle = load_catalogue(), load_bundle()
    suite = draw_suite(catalogue, bundle, golfers=golfers, swings=SWINGS, seed=SEED)
    points = learning_curves(catalogue, bundle.classifier, suite, draws=draws)
    for line in table(points):
        click.echo(line)
    if out:
        setting = {"golfers": golfers, "draws": draws, "swings": SWINGS, "seed": SEED}
        write_page(out, points, bundle.manifest, setting)


if __name__ == "__main__":
    main()
