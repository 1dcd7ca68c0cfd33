"""May a coach's eye take the former one's place? Where it foretells this coach better, about golfers held out.

What speaks are the verdicts that it was learned from, each golfer's foretold by an eye that was learned the same way
from the other golfers alone. Golfers from whom the former eye has learned are left out: it would know their answers.
The labels of the fixed suites lie at the catalogue's edges, so that an eye which moves edges cannot be asked for a
better log loss there; it must rank swings as well as before.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from faultml.classifier.bundle import Bundle
from faultml.classifier.coach_eye import CoachEye, load_eye, with_eye
from faultml.errors import InputError
from faultml.faults.catalogue import Catalogue, load_catalogue
from faultml.pipelines import gate_suites, registry
from faultml.pipelines.gate_report import report
from faultml.pipelines.gatekeeping import LEADS, RANKS, Answers, Verdict, judge
from faultml.pipelines.judged import Judged, chance, kept_eye
from faultml.pipelines.promotion import Judged as JudgedVersion
from faultml.pipelines.retrain import gather
from faultml.pipelines.trial import held_out_chances
from faultml.results import Results
from faultml.store import Store
from faultml.store.people import tokens_of

Array = NDArray[np.float64]

ALONE = "the model by itself"
HELD_OUT = "the coach's labels, golfers held out"
COMMON = "the same labels, against knowing only how common each fault is"


def judge_eye(
    folder: Path,
    coach: str,
    store: Store,
    results: Sequence[Results],
    number: int | str = registry.CHALLENGER,
    *,
    golfers: int = gate_suites.GOLFERS,
    jobs: int = 1,
) -> JudgedVersion:
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
        Where the version's model or eye is not what was registered.
    """
    catalogue, of = load_catalogue(), registry.coach_model(coach)
    version = registry.find(folder, number, of)
    model, path = registry.load_version(folder, version.number, of), registry.path_of(folder, version)
    eye, edges = load_eye(path, version.eye_sha256)
    given = gather(store, eye.coach, results, model, catalogue)
    if given.labels_sha256 != version.labels_sha256:
        raise InputError(
            "labels-changed",
            where=f"version {version.number} of {of}",
            expected="the verdicts and results that it was learned from; else run retrain --registry again",
            found="others",
        )
    former, former_eye, former_edges = _former(folder, of, version)
    name = f"champion {former.number}" if former else ALONE
    plain, own = held_out_chances(catalogue, model.classifier, given.judged)
    if former_eye:
        plain = _told(catalogue, model, given.judged, former_eye)
        plain[_known_to(former_eye, store, given.judged.golfers)] = np.nan
    answers = np.where(given.judged.known, given.judged.answers, np.nan)
    # Labels in the wrong rows make a forecast of shares alone look better than a model that commits itself.
    suites = [
        Answers(who, answers, before, own, given.judged.golfers, LEADS)
        for who, before in ((HELD_OUT, plain), (COMMON, gate_suites.base_rates(answers)))
    ]
    fixed, _ = gate_suites.fixed_suites(
        catalogue,
        with_eye(model, former_eye) if former_eye else model,
        with_eye(model, eye),
        edges=tuple(each.edges([""])[0] for each in (former_edges or catalogue, edges)),
        demand=RANKS,
        golfers=golfers,
        jobs=jobs,
    )
    verdict = judge(catalogue.ids, [*suites, *fixed])
    if not eye.adopted:
        verdict = Verdict(verdict.comparisons, (f"it moves nothing: {eye.why}", *verdict.reasons))
    text = report(verdict, f"Version {version.number} ({version.model})", name)
    registry.keep_report(folder, version, f"against_{former.number if former else 'nobody'}.md", text)
    return JudgedVersion(version, verdict, text)


def _former(
    folder: Path, of: str, version: registry.Version
) -> tuple[registry.Version | None, CoachEye | None, Catalogue | None]:
    """The coach's champion with its eye and edges, where it rests on the same model and is not the version itself."""
    former = registry.champion_or_none(folder, of)
    if former is None or former.number == version.number or former.sha256 != version.sha256:
        return None, None, None
    eye, edges = load_eye(registry.path_of(folder, former), former.eye_sha256)
    return former, eye, edges


def _told(catalogue: Catalogue, model: Bundle, judged: Judged, eye: CoachEye) -> Array:
    """What a kept eye foretells of judged swings, slips and all."""
    return eye.slip + (1 - 2 * eye.slip) * chance(model.classifier, judged, kept_eye(eye, catalogue))


def _known_to(eye: CoachEye, store: Store, golfers: NDArray[np.object_]) -> NDArray[np.bool_]:
    """Which golfers an eye has learned from."""
    learned = set(eye.labelled_players)
    known = {name for name in set(golfers) if tokens_of(store, [name])[0] in learned}
    return np.array([name in known for name in golfers])
