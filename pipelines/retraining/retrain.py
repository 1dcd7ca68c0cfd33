"""From a store of verdicts and results folders to a coach adaptation, and a report of it."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np
import pandas as pd

from faultml.channels import ID_COLUMNS
from faultml.classifier.bundle import Bundle
from faultml.classifier.coach_adaptation import FaultAdaptation, save_adaptation
from faultml.errors import InputError
from faultml.faults.catalogue import Catalogue
from faultml.labels import verdicts
from faultml.pipelines.retraining.adapt import FEWEST_GOLFERS, FIRST_LOOK
from faultml.pipelines.retraining.adaptation_report import report_lines
from faultml.pipelines.retraining.covariates import learn_covariate_adaptation
from faultml.pipelines.retraining.cross_validation import figures, held_out_chances, promotion_test
from faultml.pipelines.retraining.labelled import UNSURE, Adaptation, Labelled, guard_chance
from faultml.results import Results
from faultml.store import Store
from faultml.store.people import last_verdict, note_training, tokens_of

_IDS: Final = list(ID_COLUMNS)
_ANSWERS: Final = {"yes": 1.0, "no": 0.0, "unsure": UNSURE}
_GIVEN: Final = ["verdict", "place", "when", "occasion"]
_PAUSE: Final = pd.Timedelta(minutes=30)
"""Between two sittings; verdicts of one sheet are taken in within seconds."""


class Given(NamedTuple):
    """A coach's verdicts about measured swings.

    Attributes
    ----------
    labelled
        The swings and the answers.
    verdicts
        How many the coach gave.
    labels_sha256
        Of the verdicts about these swings.
    swings
        The ids of the swings, in their order.
    """

    labelled: Labelled
    verdicts: int
    labels_sha256: str
    swings: pd.MultiIndex


class Learned(NamedTuple):
    """What was learned from, and the report of it, in lines for a person."""

    labelled: Labelled
    lines: list[str]


def gather(
    store: Store, coach: str, results: Sequence[Results], bundle: Bundle, catalogue: Catalogue
) -> Given:
    """What a coach has said about the swings of results.

    Raises
    ------
    InputError
        ``no-verdicts`` where the coach has none, or none about swings of these results; ``other-model`` where the
        results were made with another model than `bundle`.
    """
    held = verdicts(store, coach=coach).drop_duplicates([*_IDS, "fault"], keep="last")
    given = held[held["fault"].isin(catalogue.ids)]
    if given.empty:
        known = ", ".join(sorted(verdicts(store)["coach"].unique())) or "none at all"
        raise InputError(
            "no-verdicts", where=str(store.path), expected=f"verdicts of {coach}", found=f"of {known}"
        )
    rows = _measured(given, results, bundle)
    labelled = labelled_swings(rows, bundle, catalogue)
    if not labelled.known.any():
        raise InputError(
            "no-verdicts",
            where=", ".join(str(each.folder) for each in results),
            expected="a yes or no about an assessed swing",
            found=f"{len(given)} verdicts, none of them such",
        )
    return Given(labelled, len(held), labels_digest(rows), pd.MultiIndex.from_frame(rows[_IDS]).unique())


def answers_until(store: Store, coach: str, given: Given, catalogue: Catalogue, until: int) -> np.ndarray:
    """What a coach had said of the same swings when the store's verdict `until` was its last, as in `Labelled`."""
    held = verdicts(store, coach=coach, until=until).drop_duplicates([*_IDS, "fault"], keep="last")
    row = given.swings.get_indexer(pd.MultiIndex.from_frame(held[_IDS]))
    column = pd.Index(catalogue.ids).get_indexer(held["fault"])
    there = (row >= 0) & (column >= 0)
    answers = np.full(given.labelled.answers.shape, np.nan)
    answers[row[there], column[there]] = held["verdict"].map(_ANSWERS).to_numpy(float)[there]
    return answers


def retrain(
    store: Store,
    coach: str,
    results: Sequence[Results],
    bundle: Bundle,
    catalogue: Catalogue,
    out: Path,
) -> Learned:
    """Learn a coach adaptation, note in the store whom it has learned from, write it to `out`, and tell.

    Raises
    ------
    InputError
        As `gather`.
    """
    last = last_verdict(store)
    given = gather(store, coach, results, bundle, catalogue)
    labelled = given.labelled
    found = learn_covariate_adaptation(catalogue, bundle.classifier, labelled)
    adaptation, chances = found.adaptation, held_out_chances(catalogue, bundle.classifier, labelled, found)
    why = _why_not(catalogue, labelled, adaptation, *chances)
    used = labelled.known.any(axis=1)
    players = sorted(set(labelled.golfers[used]))
    saved = save_adaptation(
        out,
        catalogue,
        {
            "coach": coach,
            "learned": datetime.now(UTC).isoformat(timespec="seconds"),
            "model_sha256": bundle.manifest.sha256,
            "labels_sha256": given.labels_sha256,
            "adopted": not why,
            "why": why or "it predicts this coach's answers better than the default model",
            "lapse_rate": round(adaptation.lapse_rate, 4),
            "lapse_rate_sd": round(adaptation.lapse_rate_sd, 4),
            "unrelated": round(adaptation.unrelated_share, 4),
            "swings": int(used.sum()),
            "golfers": len(players),
            "labelled_players": tuple(tokens_of(store, players)),
            "held_out": figures(labelled, *chances),
            "band": adaptation.band,
            "abstain_rate": adaptation.abstain_rate,
            "covariate_scales": _covariate_scales(catalogue, adaptation),
            "faults": _by_fault(catalogue, labelled, adaptation),
        },
        before_writing=lambda complete: note_training(store, complete.sha256, players, last),
    )
    left_out = given.verdicts - int(labelled.answered.sum())
    unsure = int((labelled.answered & ~labelled.known).sum())
    return Learned(labelled, report_lines(saved, catalogue, out, left_out=left_out, unsure=unsure))


def labelled_swings(rows: pd.DataFrame, bundle: Bundle, catalogue: Catalogue) -> Labelled:
    """Verdicts with the measures of their swings, as arrays of swings and faults.

    Parameters
    ----------
    rows
        Ids, `fault`, `verdict` with its `place` in the order of time, `when` and `occasion` (NaN where none was given),
        and `measure`, `measure_sd`, `probability`, `edge` of the results.
    """
    swings = pd.MultiIndex.from_frame(rows[_IDS]).unique()
    at = (
        swings.get_indexer(pd.MultiIndex.from_frame(rows[_IDS])),
        pd.Index(catalogue.ids).get_indexer(rows["fault"]),
    )
    shape = len(swings), len(catalogue.ids)

    def spread(values: Any) -> np.ndarray:
        full = np.full(shape, np.nan)
        full[at] = values
        return full

    measure, sd = spread(rows["measure"]), spread(rows["measure_sd"])
    there = catalogue.signs * (measure - spread(rows["edge"]))
    default = np.array([fault.edge for fault in catalogue.faults])
    order, sheets, occasions = _sittings(rows, at[0], len(swings))
    return Labelled(
        past=catalogue.signs * (measure - default),
        sd=sd,
        guard=guard_chance(bundle.classifier, there, sd, spread(rows["probability"])),
        answers=spread(rows["verdict"].map(_ANSWERS)),
        golfers=swings.get_level_values(0).to_numpy(object),
        order=order,
        sheets=sheets,
        occasions=occasions,
    )


def _sittings(rows: pd.DataFrame, swing: np.ndarray, count: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Of each swing its rank in time, its sitting and its occasion, by the verdict on it that was given last."""
    given = rows.assign(swing_at=swing)[rows["verdict"].notna()].sort_values("place")
    last = given.drop_duplicates("swing_at", keep="last")
    order, sheets = np.arange(count) + count, np.full(count, -1)
    occasions = np.full(count, "", dtype=object)
    at = last["swing_at"].to_numpy()
    order[at], occasions[at] = np.arange(len(last)), last["occasion"].to_numpy(object)
    pause = pd.to_datetime(last["when"], utc=True).diff() > _PAUSE
    other = last["occasion"] != last["occasion"].shift()
    sheets[at] = (pause | other).cumsum().to_numpy()
    return order, sheets, occasions


def labels_digest(rows: pd.DataFrame) -> str:
    """SHA-256 over the verdicts and the swings they are about, in whatever order they come."""
    given = rows.loc[rows["verdict"].notna(), [*_IDS, "fault", "verdict"]]
    verdict_rows = sorted("\0".join(row) for row in given.itertuples(index=False))
    return hashlib.sha256("\0\0".join(verdict_rows).encode()).hexdigest()


def _measured(given: pd.DataFrame, results: Sequence[Results], bundle: Bundle) -> pd.DataFrame:
    """All assessed faults of the labelled swings, with the verdicts where there are some; the season streams by."""
    wanted = [*_IDS, "fault", "measure", "measure_sd", "probability", "edge"]
    swings = given[_IDS].drop_duplicates()
    verdict_rows = given.assign(place=np.arange(len(given)))[[*_IDS, "fault", *_GIVEN]]
    found = [verdict_rows.iloc[:0].assign(**dict.fromkeys(wanted[4:], 0.0))]
    for each in results:
        made_with = each.run.get("model", {}).get("sha256", "")
        if made_with != bundle.manifest.sha256:
            raise InputError(
                "other-model",
                where=str(each.folder),
                expected=f"results of model {bundle.manifest.sha256[:12]}...; classify the season again",
                found=made_with[:12] or "unknown",
            )
        for _, faults in each.batches():
            assessed = faults.loc[faults["status"] == "assessed", wanted]
            found.append(swings.merge(assessed, on=_IDS).merge(verdict_rows, on=[*_IDS, "fault"], how="left"))
    return pd.concat(found, ignore_index=True).drop_duplicates([*_IDS, "fault"], keep="last")


def _why_not(
    catalogue: Catalogue, labelled: Labelled, adaptation: Adaptation, plain: np.ndarray, own: np.ndarray
) -> str:
    """Why an adaptation is not adopted; "" where it is."""
    used = labelled.known.any(axis=1)
    swings, golfers = int(used.sum()), len(np.unique(labelled.golfers[used]))
    if swings < FIRST_LOOK or golfers < FEWEST_GOLFERS:
        return (
            f"{FIRST_LOOK} labelled swings of {FEWEST_GOLFERS} golfers are needed, "
            f"these are {swings} of {golfers}"
        )
    if adaptation.refused:
        return adaptation.refused
    if not adaptation.moved.any():
        return "no fault's answers show that its edge is not the catalogue's"
    reasons = promotion_test(catalogue, labelled, plain, own).reasons
    return f"on golfers held out it is not clearly better: {'; '.join(reasons)}" if reasons else ""


def _by_fault(catalogue: Catalogue, labelled: Labelled, adaptation: Adaptation) -> dict[str, FaultAdaptation]:
    return {
        name: FaultAdaptation(
            rung=adaptation.rungs[column],
            inclusion=round(float(adaptation.inclusion[column]), 4),
            shift=round(float(adaptation.shift[column]), 4),
            shift_sd=round(float(adaptation.shift_sd[column]), 4),
            softness=round(float(adaptation.softness[column]), 4),
            slope=round(float(adaptation.slope[column]), 4),
            offset=round(float(adaptation.offset[column]), 4),
            unrelated=round(float(adaptation.unrelated[column]), 4),
            yes_share=round(float(adaptation.yes_share[column]), 4),
            swings=int(labelled.known[:, column].sum()),
            golfers=len(np.unique(labelled.golfers[labelled.known[:, column]])),
            coefficients=_coefficients(catalogue, adaptation, column),
        )
        for column, name in enumerate(catalogue.ids)
    }


def _coefficients(catalogue: Catalogue, adaptation: Adaptation, column: int) -> dict[str, float]:
    if adaptation.covariates is None:
        return {}
    coefficients = dict(zip(catalogue.ids, adaptation.covariates.coefficients[column], strict=True))
    return {other: round(float(coefficient), 5) for other, coefficient in coefficients.items() if coefficient}


def _covariate_scales(catalogue: Catalogue, adaptation: Adaptation) -> dict[str, tuple[float, float]]:
    if adaptation.covariates is None:
        return {}
    each = zip(catalogue.ids, adaptation.covariates.middle, adaptation.covariates.spread, strict=True)
    return {name: (round(float(middle), 5), round(float(spread), 5)) for name, middle, spread in each}
