"""What a coach's own verdicts show of the flags on that coach's golfers.

A single claim is tried for each fault, as the flags were given: at most the promised share of them is wrong. What
counts is golfers (`faultml.classifier.promise`); below some 55 of them nothing is shown, and what was seen is reported
as an estimate. Golfers whom a coach adaptation has learned from are left out: on them it has had its answer already.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import msgspec
import numpy as np
import pandas as pd
from scipy.stats import beta

from faultml.channels import ID_COLUMNS
from faultml.classifier.bundle import Bundle
from faultml.classifier.coach_adaptation import CoachAdaptation
from faultml.classifier.promise import (
    CONFIDENCE,
    OWN_SCHEMA,
    JudgedFlags,
    OwnPromise,
    golfers_needed,
    keeps_to,
)
from faultml.errors import InputError
from faultml.faults.catalogue import Catalogue
from faultml.labels import verdicts
from faultml.labels.verdict import blind
from faultml.results import Results
from faultml.store import Store
from faultml.store.people import tokens_of

_IDS: Final = list(ID_COLUMNS)
_COLUMNS: Final = [*_IDS, "fault", "flagged", "edge"]


def learn_own_promise(
    store: Store,
    coach: str,
    results: Sequence[Results],
    bundle: Bundle,
    catalogue: Catalogue,
    adaptation: CoachAdaptation | None = None,
) -> OwnPromise:
    """Hold a coach's verdicts against the flags of results.

    Parameters
    ----------
    adaptation
        Where the results were made with a coach adaptation: whom it has learned from is left out.

    Raises
    ------
    InputError
        ``no-verdicts`` where none is about an assessed swing of a golfer who counts; ``other-model`` where the results
        are of another model than `bundle`, or of different shares.
    """
    false_share = _false_share(results, bundle)
    given = blind(verdicts(store, coach=coach))
    given = given[given["verdict"].isin(["yes", "no"])].drop_duplicates([*_IDS, "fault"], keep="last")
    if adaptation is not None:
        players = sorted(given["player"].unique())
        learned = dict(zip(players, tokens_of(store, players), strict=True))
        given = given[~given["player"].map(learned).isin(adaptation.labelled_players)]
    rows = _flags(given, results)
    if rows.empty:
        raise InputError(
            "no-verdicts",
            where=", ".join(str(each.folder) for each in results),
            expected=f"yes or no of {coach} about an assessed swing of a golfer not learned from",
            found="none",
        )
    needed = golfers_needed(false_share, len(catalogue.ids))
    by_fault = {}
    for fault in catalogue.ids:
        own = rows[rows["fault"] == fault]
        if len(own):
            edge = float(own["edge"].mode().iloc[0])
            by_fault[fault] = _judged(own[own["edge"] == edge], false_share, needed, edge)
    return OwnPromise(
        schema=OWN_SCHEMA,
        coach=coach,
        golfers=int(rows["player"].nunique()),
        model_sha256=bundle.manifest.sha256,
        false_share=false_share,
        confidence=CONFIDENCE,
        needed=needed,
        faults=by_fault,
        together=_judged(rows, false_share, needed, None),
    )


def encode(own: OwnPromise) -> bytes:
    """As ``classify --promise`` reads it."""
    return msgspec.json.format(msgspec.json.encode(own), indent=1) + b"\n"


def report_lines(own: OwnPromise) -> list[str]:
    """What was found, in lines for a person."""
    share, sure = f"{own.false_share:.0%}", f"{own.confidence:.0%}"
    lines = [
        f"{own.coach}: flags on {own.golfers} golfers, held against yes and no. Wanted: at most {share} wrong.",
        "",
        f"{'fault':22s} golfers  flags  wrong   {'90 % interval':15s}",
    ]
    for name, each in (*own.faults.items(), ("all together", own.together)):
        low, high = (float(value) for value in beta.ppf([0.05, 0.95], *_beta(each)))
        interval = f"{low:5.0%} to {high:4.0%}" if each.flagged else ""
        conclusion = f"shown: at most {share} wrong" if each.shown else "an estimate"
        lines.append(
            f"{name:22s} {each.golfers:7d} {each.flagged:6d} {each.wrong:6d}   {interval:15s} {conclusion}"
        )
    lines += [
        "",
        f"Shown means with {sure} confidence, golfers counted and not swings; it takes {own.needed} golfers or more.",
        "The intervals take each flag for itself, so they are too narrow where a golfer has many.",
        "It holds for golfers like those judged: swings picked because they are hard to call are no fair sample.",
    ]
    return lines


def _false_share(results: Sequence[Results], bundle: Bundle) -> float:
    shares = set()
    for each in results:
        made_with = each.run.get("model", {}).get("sha256", "")
        shares.add(each.run.get("promise", {}).get("false_share"))
        if made_with != bundle.manifest.sha256 or None in shares or len(shares) > 1:
            raise InputError(
                "other-model",
                where=str(each.folder),
                expected=f"results of model {bundle.manifest.sha256[:12]}... with one false share; classify again",
                found=f"{made_with[:12] or 'unknown'}, {', '.join(map(str, shares))}",
            )
    return float(shares.pop())


def _flags(given: pd.DataFrame, results: Sequence[Results]) -> pd.DataFrame:
    """Verdicts with the flags and edges of their swings; the season streams by."""
    found = [pd.DataFrame(columns=[*_COLUMNS, "verdict"])]
    wanted = given[[*_IDS, "fault", "verdict"]]
    for each in results:
        for _, faults in each.batches():
            assessed = faults.loc[faults["status"] == "assessed", _COLUMNS]
            found.append(wanted.merge(assessed, on=[*_IDS, "fault"]))
    return pd.concat(found[1:] or found, ignore_index=True).drop_duplicates([*_IDS, "fault"], keep="last")


def _judged(rows: pd.DataFrame, false_share: float, needed: int, edge: float | None) -> JudgedFlags:
    flagged = rows["flagged"].to_numpy(bool)
    wrong = (rows["verdict"] == "no").to_numpy(float)
    golfers = rows["player"].to_numpy(object)
    count = len(np.unique(golfers))
    return JudgedFlags(
        golfers=count,
        flagged=int(flagged.sum()),
        wrong=int((flagged * wrong).sum()),
        shown=count >= needed and keeps_to(flagged, wrong, golfers, false_share),
        edge=edge,
    )


def _beta(each: JudgedFlags) -> tuple[float, float]:
    # Jeffreys' prior.
    return each.wrong + 0.5, each.flagged - each.wrong + 0.5
