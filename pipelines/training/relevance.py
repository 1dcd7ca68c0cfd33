"""Features by evidence: which window features a fault depends on (FRESH), and what it loses without each group.

FRESH (Christ, Kempa-Liehr & Feindt 2016, arXiv:1610.07717) tests each feature against the label and keeps those that
pass the Benjamini-Yekutieli procedure; tsfresh implements it. Losses are measured with the finished classifier: the
columns of a group are shuffled together over golfers not learned from.
"""

from __future__ import annotations

from collections import Counter
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from sklearn.metrics import average_precision_score, log_loss

from faultml.runtime.faults import FaultModel

Array = NDArray[np.float64]

FALSE_SHARE: Final = 0.05
"""Share of irrelevant features among those kept, in expectation."""
MAX_ROWS: Final = 6000
_FEWEST_OF_A_KIND: Final = 30
_NAMED: Final = 5
_SHUFFLES: Final = 3


def groups_of(names: tuple[str, ...]) -> dict[str, NDArray[np.int64]]:
    """Columns of each group of features, by the part of the name before the colon."""
    kinds = np.array([name.split(":")[0] for name in names])
    return {str(kind): np.flatnonzero(kinds == kind) for kind in dict.fromkeys(kinds.tolist())}


def relevant_features(
    names: tuple[str, ...], values: Array, labels: Array, faults: tuple[str, ...]
) -> dict[str, dict[str, Any]]:
    """FRESH for each fault: how many features of each group are relevant, and the surest of them.

    Parameters
    ----------
    values
        ``(n_swings, n_features)``.
    labels
        ``(n_swings, n_faults)`` 1, 0, NaN where not answered.

    Returns
    -------
    dict
        For each fault with enough answers of both kinds: ``tested``, ``relevant``, ``by_group`` and ``surest``.
    """
    from tsfresh.feature_selection.relevance import calculate_relevance_table

    found: dict[str, dict[str, Any]] = {}
    for column, fault in enumerate(faults):
        known = np.flatnonzero(np.isfinite(labels[:, column]))[:MAX_ROWS]
        answers = pd.Series(labels[known, column] == 1)
        if min(answers.sum(), (~answers).sum()) < _FEWEST_OF_A_KIND:
            continue
        table = calculate_relevance_table(
            pd.DataFrame(values[known], columns=list(names)),
            answers,
            ml_task="classification",
            fdr_level=FALSE_SHARE,
            hypotheses_independent=False,
            n_jobs=0,
            show_warnings=False,
        )
        kept = table[table["relevant"]].sort_values("p_value", kind="stable")["feature"].astype(str).tolist()
        found[fault] = {
            "tested": len(names),
            "relevant": len(kept),
            "by_group": dict(Counter(name.split(":")[0] for name in kept)),
            "surest": kept[:_NAMED],
        }
    return found


def group_losses(
    classifier: FaultModel,
    names: tuple[str, ...],
    values: Array,
    labels: Array,
    faults: tuple[str, ...],
    random: np.random.Generator,
) -> dict[str, dict[str, dict[str, float]]]:
    """By how much average precision falls and log loss rises without a group, for each group and fault.

    A group is taken away by shuffling its columns together over the swings, `_SHUFFLES` times.
    """
    whole = _scores(classifier, values, labels)
    losses: dict[str, dict[str, dict[str, float]]] = {}
    for group, columns in groups_of(names).items():
        without = np.zeros_like(whole)
        for _ in range(_SHUFFLES):
            shuffled = values.copy()
            shuffled[:, columns] = values[random.permutation(len(values))][:, columns]
            without += _scores(classifier, shuffled, labels) / _SHUFFLES
        losses[group] = {
            fault: {
                "average_precision": round(float(whole[k, 0] - without[k, 0]), 4),
                "log_loss": round(float(without[k, 1] - whole[k, 1]), 4),
            }
            for k, fault in enumerate(faults)
            if np.isfinite(whole[k]).all()
        }
    return losses


def _scores(classifier: FaultModel, values: Array, labels: Array) -> Array:
    """``(n_faults, 2)`` average precision and log loss; NaN where there are no answers of both kinds."""
    chance = classifier.predict_proba(values)
    scores = np.full((labels.shape[1], 2), np.nan)
    for column in range(labels.shape[1]):
        known = np.isfinite(labels[:, column]) & np.isfinite(chance[:, column])
        answers = labels[known, column]
        if len(np.unique(answers)) == 2:
            scores[column] = (
                average_precision_score(answers, chance[known, column]),
                log_loss(answers, chance[known, column]),
            )
    return scores


def relevance_section(evidence: dict[str, Any]) -> str:
    """The card's section."""
    losses = evidence["group_losses"]
    groups = list(losses)
    lines = [
        "## Which features each fault uses (synthetic)",
        "",
        f"Relevant: features that pass FRESH's tests (false share {FALSE_SHARE:.0%}) of {MAX_ROWS:,} swings at most. "
        "The columns after it: what average precision the fault loses when that group's columns are shuffled together "
        "over golfers not learned from. All features stay in the model: the fewer a fault needs, the less it loses.",
        "",
        "| fault | relevant | surest | " + " | ".join(groups) + " |",
        "|---|---|---|" + "---|" * len(groups),
    ]
    for fault, row in evidence["fresh"].items():
        cells = [
            f"{losses[group][fault]['average_precision']:.3f}" if fault in losses[group] else ""
            for group in groups
        ]
        surest = ", ".join(f"`{name}`" for name in row["surest"][:3])
        lines.append(
            f"| {fault} | {row['relevant']} of {row['tested']} | {surest} | " + " | ".join(cells) + " |"
        )
    return "\n".join([*lines, ""])
