"""May a coach adaptation take the former one's place? Where it predicts this coach better, on golfers held out.

What speaks are the verdicts that it was learned from, each golfer's predicted by an adaptation that was learned the
same way from the other golfers alone. The former adaptation is learned anew for that, from the verdicts that it had and
with the same golfers held out. Where the store does not hold them any more it speaks as it is, and golfers from whom it
has learned are left out: it would know their answers. The labels of the fixed suites lie at the catalogue's edges, so
that an adaptation which moves edges cannot be asked for a better log loss there; it must rank swings as well as before.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from faultml.classifier.bundle import Bundle
from faultml.classifier.coach_adaptation import CoachAdaptation, load_adaptation, with_adaptation
from faultml.errors import InputError
from faultml.faults.catalogue import Catalogue, load_catalogue
from faultml.pipelines.registry import promotion_suites, registry
from faultml.pipelines.registry.promotion import TestedVersion
from faultml.pipelines.registry.promotion_report import report
from faultml.pipelines.registry.promotion_rule import RANKS, Verdict, decide
from faultml.pipelines.registry.unfinished import CHALLENGER
from faultml.pipelines.retraining.cross_validation import held_out_chances, suites
from faultml.pipelines.retraining.labelled import Labelled, chance, saved_adaptation
from faultml.pipelines.retraining.ladder import PRECISION_MARGIN
from faultml.pipelines.retraining.retrain import Given, answers_until, gather
from faultml.results import Results
from faultml.store import Store
from faultml.store.people import last_verdict_of, tokens_of

Array = NDArray[np.float64]

ALONE = "the model by itself"
MIN_SHARE = 0.9
"""Of the swings behind the former adaptation, the share needed to learn it anew; practice, no source."""


def evaluate_adaptation(
    folder: Path,
    coach: str,
    store: Store,
    results: Sequence[Results],
    number: int | str = CHALLENGER,
    *,
    golfers: int = promotion_suites.GOLFERS,
    jobs: int = 1,
) -> TestedVersion:
    """Judge a version of a coach's against the coach's champion, or the model by itself; the report is kept.

    Parameters
    ----------
    store, results
        The verdicts and measures that it was learned from.
    number
        Of the version, or its alias.
    golfers, jobs
        Golfers of the fixed suites, and processes to draw them with.

    Raises
    ------
    InputError
        ``labels-changed`` where the verdicts are no longer those, and what `gather` raises.
    BundleError
        Where the version's model or adaptation is not what was registered.
    """
    catalogue, of = load_catalogue(), registry.coach_model(coach)
    version = registry.find(folder, number, of)
    model, path = registry.load_version(folder, version.number, of), registry.path_of(folder, version)
    adaptation, edges = load_adaptation(path, version.adaptation_sha256)
    given = gather(store, adaptation.coach, results, model, catalogue)
    if given.labels_sha256 != version.labels_sha256:
        raise InputError(
            "labels-changed",
            where=f"version {version.number} of {of}",
            expected="the verdicts and results that it was learned from; else run retrain --registry again",
            found="others",
        )
    former, former_adaptation, former_edges = _former(folder, of, version)
    name = f"champion {former.number}" if former else ALONE
    plain, own = held_out_chances(catalogue, model.classifier, given.labelled)
    note = ""
    if former and former_adaptation:
        plain, note = _former_chances(catalogue, model, store, given, former_adaptation)
        note = f"Champion {former.number} {note}"
    fixed, _ = promotion_suites.fixed_suites(
        catalogue,
        with_adaptation(model, former_adaptation) if former_adaptation else model,
        with_adaptation(model, adaptation),
        edges=tuple(each.edges([""])[0] for each in (former_edges or catalogue, edges)),
        demand=RANKS,
        golfers=golfers,
        jobs=jobs,
    )
    verdict = decide(catalogue.ids, [*suites(given.labelled, plain, own), *fixed], margin=PRECISION_MARGIN)
    if not adaptation.adopted:
        verdict = Verdict(verdict.comparisons, (f"it moves nothing: {adaptation.why}", *verdict.reasons))
    text = report(verdict, f"Version {version.number} ({version.model})", name, note)
    registry.keep_report(folder, version, f"against_{former.number if former else 'nobody'}.md", text)
    return TestedVersion(version, verdict, text)


def _former(
    folder: Path, of: str, version: registry.Version
) -> tuple[registry.Version | None, CoachAdaptation | None, Catalogue | None]:
    """The coach's champion with its adaptation and edges, unless it is the version itself or rests on another model."""
    former = registry.champion_or_none(folder, of)
    if former is None or former.number == version.number or former.sha256 != version.sha256:
        return None, None, None
    adaptation, edges = load_adaptation(registry.path_of(folder, former), former.adaptation_sha256)
    return former, adaptation, edges


def _former_chances(
    catalogue: Catalogue, model: Bundle, store: Store, given: Given, former: CoachAdaptation
) -> tuple[Array, str]:
    """What the former adaptation says of golfers that it does not know, and how it came to that, in words.

    It is learned anew from the verdicts that it had, where nearly all of them are still there.
    """
    labelled, last = given.labelled, last_verdict_of(store, former.sha256)
    known = _known_to(former, store, labelled.golfers)
    if last is not None:
        answers = answers_until(store, former.coach, given, catalogue, last)
        answers[~known] = np.nan
        then = replace(labelled, answers=answers)
        swings = int(then.known.any(axis=1).sum())
        if swings >= MIN_SHARE * former.swings:
            _, chances = held_out_chances(catalogue, model.classifier, then)
            how = f"the verdicts that it had on {swings} of its {former.swings} swings"
            return chances, f"was learned anew from {how}, each golfer predicted from the others alone."
    plain = _predicted(catalogue, model, labelled, former)
    plain[known] = np.nan
    return (
        plain,
        "could not be learned anew from the verdicts that it had, so golfers that it knows are left out.",
    )


def _predicted(catalogue: Catalogue, model: Bundle, labelled: Labelled, adaptation: CoachAdaptation) -> Array:
    """What a saved adaptation predicts for labelled swings, lapses and unrelated answers included."""
    former = saved_adaptation(adaptation, catalogue)
    return former.of_answers(chance(model.classifier, labelled, former))


def _known_to(adaptation: CoachAdaptation, store: Store, golfers: NDArray[np.object_]) -> NDArray[np.bool_]:
    """Which golfers an adaptation has learned from."""
    learned = set(adaptation.labelled_players)
    known = {name for name in set(golfers) if tokens_of(store, [name])[0] in learned}
    return np.array([name in known for name in golfers])
