"""Promote a registered model: the promotion test against the champion, its report, and in use only if it passed."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from faultml.errors import BundleError
from faultml.faults.catalogue import load_catalogue
from faultml.pipelines.registry import promotion_suites, registry
from faultml.pipelines.registry.promotion_report import report
from faultml.pipelines.registry.promotion_rule import Verdict, decide
from faultml.pipelines.registry.unfinished import CHALLENGER

if TYPE_CHECKING:
    import pandas as pd

NOBODY = "knowing only how common each fault is"


class TestedVersion(NamedTuple):
    """What the promotion test said of a version, and its report."""

    version: registry.Version
    verdict: Verdict
    report: str


def evaluate_version(
    folder: Path,
    number: int | str = CHALLENGER,
    *,
    season: list[Path] | None = None,
    verdicts: pd.DataFrame | None = None,
    learned: Mapping[str, Collection[str]] | None = None,
    golfers: int = promotion_suites.GOLFERS,
    jobs: int = 1,
) -> TestedVersion:
    """Judge a registered version against the champion, and keep the report with its run.

    Parameters
    ----------
    number
        Of the version, or its alias.
    season, verdicts
        As in `promotion_suites.coach_answers`; without, only the fixed suites speak.
    learned
        SHA-256 of the models that have learned from a player's labels, by player: where either of the two is among
        them, the player's labels are not looked at.
    golfers, jobs
        Golfers of the fixed suites, and processes to draw them with.
    """
    catalogue = load_catalogue()
    version = registry.find(folder, number)
    before = registry.champion_or_none(folder)
    if before and before.number == version.number:
        before = None
    challenger = registry.load_version(folder, version.number)
    try:
        champion = registry.load_version(folder, before.number) if before else None
        suites, worse = promotion_suites.fixed_suites(
            catalogue, champion, challenger, golfers=golfers, jobs=jobs
        )
        name = f"champion {before.number}" if before else NOBODY
    except BundleError as error:
        if before is None:
            raise
        # A champion of another program version cannot speak; the challenger must still be worth something.
        champion, name = None, f"{NOBODY} (champion {before.number} does not run here: {error.code})"
        suites, worse = promotion_suites.fixed_suites(catalogue, None, challenger, golfers=golfers, jobs=jobs)
    if season and verdicts is not None:
        tested = {each.sha256 for each in (version, before) if each}
        held_out = [not tested & set((learned or {}).get(player, ())) for player in verdicts["player"]]
        suites.append(
            promotion_suites.coach_answers(catalogue, season, verdicts[held_out], champion, challenger)
        )
    verdict = decide(catalogue.ids, suites)
    verdict = replace(verdict, reasons=(*verdict.reasons, *worse))
    text = report(verdict, f"Version {version.number} ({version.model})", name)
    registry.keep_report(folder, version, f"against_{before.number if before else 'nobody'}.md", text)
    return TestedVersion(version, verdict, text)


def promote(folder: Path, tested: TestedVersion) -> registry.Version | None:
    """Put a tested version in use if the promotion test let it pass; None where not."""
    version = tested.version
    return registry.make_champion(folder, version.number, version.of) if tested.verdict.passed else None
