"""How much is learned from how many labels: simulated coaches, every fault answered, golfers held out.

``python -m faultml.pipelines.learning_curves [--json OUT]``
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import click
import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from faultml.classifier.bundle import load_bundle
from faultml.classifier.faults import FaultClassifier
from faultml.faults.catalogue import Catalogue, load_catalogue
from faultml.pipelines.adapt import learn_eye
from faultml.pipelines.coach_suite import Suite, draw_suite, simulated_coaches
from faultml.pipelines.judged import Eye, Judged, believed, chance, default_eye, log_losses
from faultml.synthetic.coach import Coach

Array = NDArray[np.float64]

COUNTS: Final = (0, 25, 50, 100, 200, 500, 1000)
HELD_OUT_SHARE: Final = 0.4


@dataclass(frozen=True)
class Point:
    """One coach, one number of labelled swings.

    Attributes
    ----------
    loss, default, knowing
        Macro log loss of what was learned, of the default model, and of one that knew the coach's edges; against
        answers of the same coach without slips, golfers held out, mean over draws.
    closed
        Share of the gap between the last two that is closed; NaN where there is none (careless).
    difference, difference_hi
        `loss` - `default`, and the upper 95 % bound over draws of golfers and labels.
    own_difference_hi
        The same bound against the coach's own answers, slips and all; both forecasts allow for the slips learned.
    slip
        As learned.
    """

    coach: str
    swings: int
    loss: float
    default: float
    knowing: float
    closed: float
    difference: float
    difference_hi: float
    own_difference_hi: float
    slip: float


def judged_by(catalogue: Catalogue, classifier: FaultClassifier, suite: Suite, answers: Array) -> Judged:
    """A suite's swings as retraining sees them."""
    past = np.where(
        np.isfinite(suite.measures), catalogue.signs * (suite.posterior.mean - classifier.edges), np.nan
    )
    guard = np.ones_like(past)
    for k, column in enumerate(classifier.guarded):
        below = classifier.guard_edges[k] - suite.posterior.guard_mean[:, k]
        guard[:, column] = ndtr(below / suite.posterior.guard_sd[:, k])
    return Judged(past, suite.posterior.sd, guard, answers, suite.golfers)


def learning_curves(
    catalogue: Catalogue,
    classifier: FaultClassifier,
    suite: Suite,
    *,
    counts: tuple[int, ...] = COUNTS,
    draws: int = 5,
    seed: int = 0,
) -> list[Point]:
    """The three simulated coaches at each number of labelled swings; every draw splits the golfers anew."""
    points = []
    for name in simulated_coaches(catalogue, np.random.default_rng(0)):
        told: dict[int, list[tuple[Array, float]]] = {count: [] for count in counts}
        for draw in range(draws):
            random = np.random.default_rng([seed, draw])
            coach = simulated_coaches(catalogue, random)[name]
            for count, found in _one_draw(catalogue, classifier, suite, coach, counts, random).items():
                told[count].append(found)
        points += [_point(name, count, found) for count, found in told.items() if found]
    return points


def _one_draw(
    catalogue: Catalogue,
    classifier: FaultClassifier,
    suite: Suite,
    coach: Coach,
    counts: tuple[int, ...],
    random: np.random.Generator,
) -> dict[int, tuple[Array, float]]:
    """Losses by golfer and fault, and the slip learned, for each count."""
    names = random.permutation(np.unique(suite.golfers))
    out = np.isin(suite.golfers, names[: round(HELD_OUT_SHARE * len(names))])
    own = coach.label(catalogue, suite.measures, suite.guards, random)
    steady = Coach(coach.bias, 0.0)
    clean = steady.label(catalogue, suite.measures, suite.guards, random)
    train = judged_by(catalogue, classifier, suite, own).rows(~out)
    test = judged_by(catalogue, classifier, suite, clean).rows(out)
    order = random.permutation(len(train.golfers))
    soft = catalogue.softness_by_fault
    knowing = Eye(coach.bias, np.zeros(len(soft)), soft, 0.0, 0.0, 0.0)
    found = {}
    for count in counts:
        if count > len(order):
            continue
        learned = learn_eye(catalogue, classifier, train.rows(order[:count]))
        eyes = (believed(catalogue, learned), default_eye(catalogue), knowing)
        told = [chance(classifier, test, eye) for eye in eyes]
        losses = [_by_golfer(log_losses(clean[out], each), test.golfers) for each in told]
        slips = [learned.slip + (1 - 2 * learned.slip) * each for each in told[:2]]
        losses += [_by_golfer(log_losses(own[out], each), test.golfers) for each in slips]
        found[count] = np.stack(losses), learned.slip
    return found


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


def _point(name: str, count: int, found: list[tuple[Array, float]]) -> Point:
    losses = [_macro(sums) for sums, _ in found]
    learned, default, knowing = np.mean(losses, axis=0)[:3]
    random = np.random.default_rng(1)
    bounds = []
    for _ in range(400):
        # A draw of labels, and golfers of it, drawn again.
        sums, _ = found[random.integers(len(found))]
        golfers = random.integers(0, sums.shape[2], sums.shape[2])
        again = _macro(sums[:, :, golfers])
        bounds.append((again[0] - again[1], again[3] - again[4]))
    high, own_high = np.quantile(bounds, 0.95, axis=0)
    gap = default - knowing
    return Point(
        name,
        count,
        float(learned),
        float(default),
        float(knowing),
        float((default - learned) / gap) if gap > 1e-4 else float("nan"),
        float(learned - default),
        float(high),
        float(own_high),
        float(np.mean([slip for _, slip in found])),
    )


@click.command()
@click.option("--golfers", default=300, show_default=True)
@click.option("--draws", default=5, show_default=True)
@click.option("--json", "out", type=click.Path(path_type=Path, dir_okay=False), help="Also write them here.")
def main(golfers: int, draws: int, out: Path | None) -> None:
    """Print the learning curves of the default model, on generated golfers.

    \b
    Example:
      python -m faultml.pipelines.learning_curves --json curves.json
    """
    catalogue, bundle = load_catalogue(), load_bundle()
    suite = draw_suite(catalogue, bundle, golfers=golfers, swings=8, seed=515)
    points = learning_curves(catalogue, bundle.classifier, suite, draws=draws)
    for line in table(points):
        click.echo(line)
    if out:
        out.write_text(json.dumps([vars(point) for point in points], indent=1) + "\n")


def table(points: list[Point]) -> list[str]:
    """The curves as lines of text."""
    lines = ["coach                  swings    loss  default  knowing  closed  upper   own upper   slip"]
    for p in points:
        lines.append(
            f"{p.coach:22s} {p.swings:6d}  {p.loss:.4f}   {p.default:.4f}   {p.knowing:.4f}  {p.closed:6.2f}"
            f"  {p.difference_hi:+.4f}  {p.own_difference_hi:+.4f}   {p.slip:.3f}"
        )
    return lines


if __name__ == "__main__":
    main()
