"""How far two sides agree about the same swings: Cohen's kappa per fault, its interval from a bootstrap over golfers.

Swings of one golfer are alike, so what is drawn again is golfers, each with all their swings (percentile bootstrap).
The tool's side is yes where its probability is a half or more, so that its borderline swings count as well; swings of
which a coach is unsure are left out, and counted.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations, pairwise
from typing import Final, Literal, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from faultml.channels import ID_COLUMNS
from faultml.faults.catalogue import load_catalogue
from faultml.labels.rules import AgreementRules, load_label_rules
from faultml.labels.verdict import blind
from faultml.results import Results

Against = Literal["tool", "coach", "again"]
ALL_FAULTS: Final = "all"
TOOL: Final = "the tool"

_ASKED: Final = [*ID_COLUMNS, "fault"]
COLUMNS: Final = (
    "against", "coach", "other", "fault", "swings", "golfers", "left_out",
    "both_yes", "only_coach", "only_other", "both_no", "agree", "kappa", "kappa_lo", "kappa_hi", "note",
)  # fmt: skip


class _Pair(NamedTuple):
    """Two sides' answers: ids, `fault`, `first` and `second` (yes, no, unsure)."""

    against: Against
    coach: str
    other: str
    answers: pd.DataFrame


def agreement(
    verdicts: pd.DataFrame, results: Results | None = None, *, rules: AgreementRules | None = None
) -> pd.DataFrame:
    """Each coach against the tool, against each other coach, and against themselves when asked again.

    Parameters
    ----------
    verdicts
        Those that hold, as `faultml.labels.verdicts` gives them; answers that were not blind are left out.
    results
        The tool's side; without it the tool is left out.
    rules
        By default those of `labels.toml`.

    Returns
    -------
    A row a pair of sides and fault, and one with fault ``all`` over all its faults together: `against` (``tool``,
    ``coach``, ``again``), `coach` and `other`; `swings` answered yes or no by both and `golfers` among them,
    `left_out` because a side was unsure; the four counts; `agree` (share); `kappa` with `kappa_lo` and `kappa_hi`, NaN
    where `note` says why not.
    """
    rules = rules or load_label_rules().agreement
    order = {fault: at for at, fault in enumerate(load_catalogue().ids)}
    rows = []
    for pair in _pairs(blind(verdicts), results):
        together = pair.answers.assign(fault=ALL_FAULTS)
        groups = pd.concat([pair.answers, together]).groupby("fault", sort=False)
        for fault, answers in sorted(groups, key=lambda item: _place(str(item[0]), order)):
            rows.append({**_row(answers, rules), **dict(zip(COLUMNS[:4], (*pair[:3], fault), strict=True))})
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _place(fault: str, order: dict[str, int]) -> tuple[bool, int, str]:
    """Where a fault's row stands: as in the catalogue, then those it does not know any more, then all together."""
    return fault == ALL_FAULTS, order.get(fault, len(order)), fault


def kappa(counts: NDArray[np.float64]) -> NDArray[np.float64]:
    """Cohen's kappa of two yes/no raters, NaN where both always give one and the same answer.

    Parameters
    ----------
    counts
        ``(..., 4)``: both yes, only the first, only the second, both no.

    Returns
    -------
    ``(...)``. Cohen 1960, Educ Psychol Meas 20:37-46.
    """
    total = counts.sum(axis=-1)
    yes_yes, first, second, no_no = np.moveaxis(counts, -1, 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        observed = (yes_yes + no_no) / total
        yes = (yes_yes + first) * (yes_yes + second)
        no = (second + no_no) * (first + no_no)
        by_chance = (yes + no) / total**2
        found = (observed - by_chance) / (1 - by_chance)
    return np.where((yes + no) < total**2, found, np.nan)


def kappa_interval(counts: NDArray[np.float64], rules: AgreementRules) -> tuple[float, float]:
    """Percentile bootstrap over golfers; NaN where too many draws have no kappa.

    Parameters
    ----------
    counts
        ``(n_golfers, 4)``, see `kappa`.
    rules
        Draws, level and seed.
    """
    n = len(counts)
    times = np.random.default_rng(rules.seed).multinomial(n, np.full(n, 1 / n), size=rules.draws)
    drawn = kappa(times @ counts)
    if np.isnan(drawn).mean() > rules.max_undefined_share:
        return np.nan, np.nan
    tail = (1 - rules.interval) / 2
    low, high = np.nanquantile(drawn, [tail, 1 - tail])
    return float(low), float(high)


def _row(answers: pd.DataFrame, rules: AgreementRules) -> dict[str, object]:
    sure = answers[answers["first"].isin(("yes", "no")) & answers["second"].isin(("yes", "no"))]
    first, second = (sure["first"] == "yes").to_numpy(), (sure["second"] == "yes").to_numpy()
    cells = np.stack([first & second, first & ~second, ~first & second, ~first & ~second], axis=1)
    golfers, names = pd.factorize(sure["player"])
    counts = np.zeros((len(names), 4))
    np.add.at(counts, golfers, cells)
    total = counts.sum(axis=0)
    value, low, high = np.nan, np.nan, np.nan
    note = _too_few(len(sure), len(names), rules)
    if not note:
        value = float(kappa(total))
        low, high = kappa_interval(counts, rules)
        note = (
            "one answer only"
            if np.isnan(value)
            else "no interval: too few golfers show it"
            if np.isnan(low)
            else ""
        )
    return {
        "swings": len(sure),
        "golfers": len(names),
        "left_out": len(answers) - len(sure),
        **dict(zip(COLUMNS[7:11], total.astype(int).tolist(), strict=True)),
        "agree": (total[0] + total[3]) / len(sure) if len(sure) else np.nan,
        "kappa": value,
        "kappa_lo": low,
        "kappa_hi": high,
        "note": note,
    }


def _too_few(swings: int, golfers: int, rules: AgreementRules) -> str:
    """Why there is no kappa, "" where there are answers enough."""
    if swings >= rules.min_swings and golfers >= rules.min_golfers:
        return ""
    return f"not enough: from {rules.min_swings} swings of {rules.min_golfers} golfers on"


def _pairs(verdicts: pd.DataFrame, results: Results | None) -> Iterator[_Pair]:
    latest = verdicts.drop_duplicates(["coach", *_ASKED], keep="last")
    coaches = sorted(latest["coach"].unique())
    if results is not None and coaches:
        tool = tool_answers(results, latest)
        for coach in coaches:
            yield from _joined("tool", coach, TOOL, latest[latest["coach"] == coach], tool)
    for one, other in combinations(coaches, 2):
        sides = (latest[latest["coach"] == coach] for coach in (one, other))
        yield from _joined("coach", one, other, *sides)
    for coach in coaches:
        own = verdicts[verdicts["coach"] == coach]
        occasions = own.drop_duplicates("occasion")["occasion"]  # in the order of time
        for before, after in pairwise(occasions):
            sides = (own[own["occasion"] == occasion] for occasion in (before, after))
            yield from _joined("again", coach, f"occasion {after} after {before}", *sides)


def _joined(
    against: Against, coach: str, other: str, first: pd.DataFrame, second: pd.DataFrame
) -> Iterator[_Pair]:
    both = first[[*_ASKED, "verdict"]].merge(second[[*_ASKED, "verdict"]], on=_ASKED, suffixes=("_1", "_2"))
    if len(both):
        yield _Pair(against, coach, other, both.rename(columns={"verdict_1": "first", "verdict_2": "second"}))


def tool_answers(results: Results, verdicts: pd.DataFrame) -> pd.DataFrame:
    """What the tool says of the swings and faults that have a verdict: ids, `fault`, `verdict` (yes or no).

    What it has not assessed is left out. The season streams by; only what is asked for is kept.
    """
    asked = verdicts[_ASKED].drop_duplicates()
    found = [
        faults.loc[faults["status"] == "assessed", [*_ASKED, "probability"]].merge(asked, on=_ASKED)
        for _, faults in results.batches()
    ]
    calls = pd.concat(found) if found else asked.iloc[:0].assign(probability=0.0)
    return calls.assign(verdict=np.where(calls["probability"] >= 0.5, "yes", "no")).drop(
        columns="probability"
    )
