"""What spoiled labels do: loss on golfers never labelled, and how often anything is moved that should not be.

``python -m faultml.pipelines.benchmarks.spoiled_curves [--draws 40]``
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import click
import numpy as np
from numpy.typing import NDArray
from scipy.stats import t as student

from faultml.classifier.bundle import load_bundle
from faultml.faults.catalogue import Catalogue, load_catalogue
from faultml.pipelines.benchmarks.coach_suite import Simulated, Suite, draw_suite, labelled_by
from faultml.pipelines.benchmarks.learning_curves import HELD_OUT_SHARE, SEED, SWINGS
from faultml.pipelines.benchmarks.spoiled_coaches import SPOILED, careful, judge, two_moved
from faultml.pipelines.retraining.adapt import look, looked_at
from faultml.pipelines.retraining.covariates import learn_covariate_adaptation
from faultml.pipelines.retraining.cross_validation import held_out_chances, promotion_test
from faultml.pipelines.retraining.labelled import (
    Adaptation,
    Labelled,
    chance,
    default_adaptation,
    edges_adaptation,
    log_losses,
)
from faultml.runtime.faults import FaultModel
from faultml.synthetic.coach import Coach

Array = NDArray[np.float64]

RETRAININGS: Final = tuple(range(50, 501, 50))
"""Labelled swings at each retraining of one draw."""
UNSPOILED: Final = "unspoiled"
GAP_COUNTS: Final = (100, 500)
CoachKind = Callable[[Catalogue, np.random.Generator], Coach]
CERTAINTY: Final = 0.95


class Draw(NamedTuple):
    """One draw.

    Attributes
    ----------
    learned, default, knowing
        ``(n_faults,)`` log losses on golfers never labelled, against the unspoiled coach without lapses, after the last
        retraining: of what was learned, of the model alone, and of one that knows the coach's edges.
    moved
        ``(n_retrainings, n_faults)`` which faults were moved after each.
    """

    learned: Array
    default: Array
    knowing: Array
    moved: NDArray[np.bool_]

    @property
    def relative(self) -> float:
        """What was learned costs so much, as a share of the model's own loss; below 0 it gains."""
        return float(np.nanmean(self.learned) / np.nanmean(self.default) - 1)


@dataclass(frozen=True)
class Point:
    """One spoiled coach.

    Attributes
    ----------
    coach
        How the labels were spoiled.
    draws
        How many.
    mean, upper, worst
        Mean relative loss, its upper bound (one-sided 95 %, t over draws), and the worst draw's.
    false_adoptions
        Draws in which anything was moved at any retraining.
    """

    coach: str
    draws: int
    mean: float
    upper: float
    worst: float
    false_adoptions: int


@dataclass(frozen=True)
class Gap:
    """Two edges moved by 8 degrees, unspoiled.

    Attributes
    ----------
    swings
        Labelled.
    closed
        Share of the gap, over both faults and all draws, between the model and one that knows the edges.
    others
        Worst relative loss, of all draws, over the other faults.
    moved
        Share of the moved edges that were found.
    """

    swings: int
    closed: float
    others: float
    moved: float


def spoiled_draw(
    catalogue: Catalogue,
    classifier: FaultModel,
    suite: Suite,
    coach: Coach,
    spoiled: str,
    draw: int,
    counts: Sequence[int] = RETRAININGS,
) -> Draw:
    """Label, retrain at each count, and predict golfers never labelled; the same golfers and swings for every coach."""
    random = np.random.default_rng([SEED, draw])
    names = random.permutation(np.unique(suite.golfers))
    out = np.isin(suite.golfers, names[: round(HELD_OUT_SHARE * len(names))])
    rows = random.permutation(np.flatnonzero(~out))[: max(counts)]
    judged = judge(catalogue, classifier, suite, coach, rows, random)
    steady = Simulated(coach).steady(catalogue, suite, random)
    test = labelled_by(catalogue, classifier, suite, steady).rows(out)
    given = judged.labelled.answered_by(SPOILED[spoiled](judged, random))
    moved = np.zeros((len(counts), len(catalogue.ids)), dtype=bool)
    used = default_adaptation(catalogue)
    rungs, looked = used.rungs, 0
    for k, count in enumerate(counts):
        some = given.rows(np.arange(count))
        if look(count) != looked:
            looked, rungs = look(count), looked_at(catalogue, classifier, some)
        if count == max(counts) or any(rung != "catalogue" for rung in rungs):
            used = _used(catalogue, classifier, some, rungs)
            moved[k] = used.moved

    def losses(adaptation: Adaptation) -> Array:
        return np.asarray(np.nanmean(log_losses(steady[out], chance(classifier, test, adaptation)), axis=0))

    knowing = edges_adaptation(catalogue, coach.bias)
    return Draw(losses(used), losses(default_adaptation(catalogue)), losses(knowing), moved)


def _used(catalogue: Catalogue, classifier: FaultModel, given: Labelled, rungs: tuple) -> Adaptation:
    """What `retrain` would use."""
    learned = learn_covariate_adaptation(catalogue, classifier, given, rungs)
    if learned.adaptation.moved.any():
        chances = held_out_chances(catalogue, classifier, given, learned)
        if promotion_test(catalogue, given, *chances).passed:
            return learned.adaptation
    return default_adaptation(catalogue)


def spoiled_point(spoiled: str, draws: Sequence[Draw]) -> Point:
    """The draws of one spoiled coach together."""
    relative = np.array([each.relative for each in draws])
    error = relative.std(ddof=1) / np.sqrt(len(relative))
    upper = relative.mean() + student.ppf(CERTAINTY, len(relative) - 1) * error
    adopted = sum(bool(each.moved.any()) for each in draws)
    return Point(spoiled, len(draws), float(relative.mean()), float(upper), float(relative.max()), adopted)


def gap_closed(swings: int, coaches: Sequence[Coach], draws: Sequence[Draw]) -> Gap:
    """How much of the gap two moved edges make is closed; each draw's own coach."""
    moved = np.array([coach.bias != 0 for coach in coaches])
    learned, default, knowing, found = (
        np.array(each)
        for each in zip(*((d.learned, d.default, d.knowing, d.moved[-1]) for d in draws), strict=True)
    )
    others = [
        float(one[~at].mean() / before[~at].mean() - 1)
        for one, before, at in zip(learned, default, moved, strict=True)
    ]
    closed = (default - learned)[moved].sum() / (default - knowing)[moved].sum()
    return Gap(swings, float(closed), max(others), float(found[moved].mean()))


def spoiled_points(
    catalogue: Catalogue,
    classifier: FaultModel,
    suite: Suite,
    *,
    draws: int,
    coach: CoachKind = careful,
    spoiled: Sequence[str] = tuple(SPOILED),
    counts: Sequence[int] = RETRAININGS,
) -> Iterator[Point]:
    """Each spoiled coach after `draws` draws."""
    coaches = _coaches(catalogue, coach, draws)
    for name in spoiled:
        yield spoiled_point(
            name,
            [
                spoiled_draw(catalogue, classifier, suite, each, name, draw, counts)
                for draw, each in enumerate(coaches)
            ],
        )


def gaps(
    catalogue: Catalogue,
    classifier: FaultModel,
    suite: Suite,
    *,
    draws: int,
    counts: Sequence[int] = GAP_COUNTS,
) -> Iterator[Gap]:
    """How much of the gap that two moved edges make is closed at each number of labelled swings."""
    coaches = _coaches(catalogue, two_moved, draws)
    for count in counts:
        yield gap_closed(
            count,
            coaches,
            [
                spoiled_draw(catalogue, classifier, suite, each, UNSPOILED, draw, (count,))
                for draw, each in enumerate(coaches)
            ],
        )


def _coaches(catalogue: Catalogue, coach: CoachKind, draws: int) -> list[Coach]:
    return [coach(catalogue, np.random.default_rng([SEED + 1, draw])) for draw in range(draws)]


@click.command()
@click.option("--draws", default=40, show_default=True)
@click.option("--golfers", default=300, show_default=True)
@click.option("--coach", multiple=True, type=click.Choice(list(SPOILED)), help="Only these.")
def main(draws: int, golfers: int, coach: tuple[str, ...]) -> None:
    """Print what spoiled labels do to the default model, on generated golfers.

    \b
    Example:
      python -m faultml.pipelines.benchmarks.spoiled_curves --draws 4
    """
    catalogue, bundle = load_catalogue(), load_bundle()
    suite = draw_suite(catalogue, bundle, golfers=golfers, swings=SWINGS, seed=SEED)
    setting = catalogue, bundle.classifier, suite
    for gap in gaps(*setting, draws=draws):
        click.echo(
            f"two edges moved, {gap.swings:4d} swings: {gap.closed:.1%} of the gap closed, {gap.moved:.0%} of the "
            f"edges found, other faults at worst {gap.others:+.2%}"
        )
    names = coach or tuple(SPOILED)
    for kind, counts in ((careful, RETRAININGS), (two_moved, RETRAININGS[-1:])):
        click.echo(f"{kind.__name__:28s}    mean   upper   worst  moved in draws")
        for point in spoiled_points(*setting, draws=draws, coach=kind, spoiled=names, counts=counts):
            click.echo(
                f"{point.coach:28s} {point.mean:+7.2%} {point.upper:+7.2%} {point.worst:+7.2%}  "
                f"{point.false_adoptions} of {point.draws}"
            )


if __name__ == "__main__":
    main()
