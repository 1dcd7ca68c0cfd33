"""Which swings to judge next: those whose verdict would teach the most.

What a swing teaches is taken as how unsure the tool is of it, times how unlike it is to the swings judged or chosen
already, times how little is known of its golfer. The list is filled one by one, each time with the swing that teaches
most beside those on it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from scipy.special import entr

from faultml.channels import ID_COLUMNS
from faultml.labels.rules import NextRules, load_label_rules
from faultml.results import Results

_IDS: Final = list(ID_COLUMNS)
_EITHER_WAY_BITS: Final = 0.8  # a probability of 0.25 to 0.75
_UNLIKE: Final = 0.6
COLUMNS: Final = ("rank", *ID_COLUMNS, "club", "faults", "why", "unsure", "unlike", "unseen", "teaches")
REPEAT_OCCASION: Final = "2"


class _Pool(NamedTuple):
    """Swings to choose from, and the measures of those judged already."""

    swings: pd.DataFrame
    judged: NDArray[np.float64]


def next_swings(
    results: Results, verdicts: pd.DataFrame, *, swings: int | None = None, rules: NextRules | None = None
) -> pd.DataFrame:
    """The swings to judge next, the one that teaches most first; the same again for the same input.

    Parameters
    ----------
    results
        A classified season, of which only a bounded pool is kept in memory. Swings not assessed are left out.
    verdicts
        Those that hold, of the coach who is to judge: what they have answered is not asked again.
    swings
        How many; by default a session's worth (`labels.toml`). No golfer has more than a third of the list.
    rules
        By default those of `labels.toml`.

    Returns
    -------
    `rank` (1 first), ids, `club`, `faults` (the ones to judge, as a tuple), `why` (in words that do not say what the
    tool thinks), and the factors, 0-1: `unsure`, `unlike`, `unseen`; `teaches` is their product.
    """
    rules = rules or load_label_rules().next
    wanted = rules.swings if swings is None else swings
    judged_of = verdicts.drop_duplicates(_IDS)["player"].value_counts()
    pool = _pool(results, verdicts, rules)
    measures, judged = _scaled(pool)
    table = pool.swings
    near = cKDTree(judged).query(measures)[0] if len(judged) else np.full(len(table), np.inf)
    known = table["player"].map(judged_of).fillna(0).to_numpy(dtype=float)
    players = table["player"].to_numpy()
    most = max(1, int(rules.max_share_of_one_golfer * wanted))
    chosen: list[dict[str, object]] = []
    listed = np.zeros(len(table))  # of the same golfer
    free = np.ones(len(table), dtype=bool)
    while len(chosen) < wanted and free.any():
        unlike = -np.expm1(-near)
        unseen = (1 + rules.unseen / (1 + known + listed)) / (1 + rules.unseen)
        teaches = np.where(free, table["unsure"] * unlike * unseen, -1.0)
        at = int(np.argmax(teaches))
        factors = {"unlike": unlike[at], "unseen": unseen[at], "teaches": teaches[at]}
        swing = table.iloc[at].to_dict() | factors
        why = _why(swing, judged=int(known[at]), first=not len(judged) and not chosen)
        chosen.append(swing | {"rank": len(chosen) + 1, "why": why})
        near = np.minimum(near, np.linalg.norm(measures - measures[at], axis=1))
        listed += players == players[at]
        free[at] = False
        free &= listed < most
    return pd.DataFrame(chosen, columns=list(COLUMNS))


def repeat_swings(verdicts: pd.DataFrame, coach: str, *, swings: int = 12) -> pd.DataFrame:
    """Swings that a coach has judged once, to be judged again without looking at what was said.

    Parameters
    ----------
    verdicts
        Those that hold.
    coach
        Who judged them and is to do so again.
    swings
        How many, spread over golfers, in an order that tells nothing.

    Returns
    -------
    ids and `fault`, a row for each verdict given the first time. They are to be kept as occasion `REPEAT_OCCASION`.
    """
    own = verdicts[verdicts["coach"] == coach]
    answered = own.drop_duplicates([*_IDS, "fault", "occasion"])
    times = answered.groupby([*_IDS, "fault"])["occasion"].transform("size")
    once = answered[(times == 1) & (answered["occasion"] != REPEAT_OCCASION)]
    each = once.drop_duplicates(_IDS)[_IDS]
    each = each.assign(order=[_hash(row) for row in each.itertuples(index=False, name=None)])
    each = each.sort_values("order")
    each = each.assign(turn=each.groupby("player").cumcount()).sort_values(["turn", "order"]).head(swings)
    return each[_IDS].merge(once[[*_IDS, "fault"]], on=_IDS)


def _pool(results: Results, verdicts: pd.DataFrame, rules: NextRules) -> _Pool:
    """The most unsure swings of each golfer, and the measures of those judged, while the season streams by."""
    answered = {(*row[:3], row[3]) for row in verdicts[[*_IDS, "fault"]].itertuples(index=False, name=None)}
    judged_ids = pd.MultiIndex.from_frame(verdicts[_IDS].drop_duplicates())
    kept: list[pd.DataFrame] = []
    judged: list[NDArray[np.float64]] = []
    n_faults = 0
    for swings, faults in results.batches():
        n_faults = len(faults) // len(swings)
        shape = (len(swings), n_faults)
        probability = faults["probability"].to_numpy(dtype=float).reshape(shape)
        measures = faults["measure"].to_numpy(dtype=float).reshape(shape)
        names = faults["fault"].to_numpy()[:n_faults]
        swing_ids = pd.MultiIndex.from_frame(swings[_IDS])
        was_judged = swing_ids.isin(judged_ids)
        judged.append(measures[was_judged])
        bits = np.nan_to_num(entr(probability) + entr(1 - probability)) / np.log(2)
        for row in np.flatnonzero(was_judged):
            bits[row, [(*swing_ids[row], name) in answered for name in names]] = 0.0
        asked = np.argsort(-bits, axis=1, kind="stable")[:, : rules.faults]
        asked_bits = np.take_along_axis(bits, asked, axis=1)
        batch = swings[[*_IDS, "club"]].assign(
            faults=[
                tuple(names[at[own > 0]]) for at, own in zip(asked, asked_bits, strict=True)
            ],
            either_way=[
                tuple(names[at[own > _EITHER_WAY_BITS]]) for at, own in zip(asked, asked_bits, strict=True)
            ],
            unsure=asked_bits.mean(axis=1),
            measures=list(measures),
        )  # fmt: skip
        kept.append(batch[swings["assessed"].to_numpy(dtype=bool) & (batch["unsure"] > 0).to_numpy()])
        kept = [_most_unsure(pd.concat(kept), rules)]
    nothing = pd.DataFrame(columns=[*_IDS, "club", "faults", "either_way", "unsure", "measures"])
    table = kept[0].reset_index(drop=True) if kept else nothing
    return _Pool(table, np.concatenate(judged) if judged else np.zeros((0, n_faults)))


def _most_unsure(swings: pd.DataFrame, rules: NextRules) -> pd.DataFrame:
    ordered = swings.sort_values(["unsure", *_IDS], ascending=[False, True, True, True])
    return ordered.groupby("player", sort=False).head(rules.pool_of_one_golfer).head(rules.pool)


def _scaled(pool: _Pool) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Measures of the pool and of the judged in standard deviations; the distance of two swings is an RMS.

    What was not assessed counts as the mean: it makes a swing neither like nor unlike another.
    """
    if not len(pool.swings):
        return np.zeros((0, 1)), np.zeros((0, 1))
    measures = np.stack(pool.swings["measures"].to_list())
    everything = np.ma.masked_invalid(np.concatenate([measures, pool.judged]))
    spread = np.maximum(everything.std(axis=0).filled(1.0), 1e-9)
    scaled = ((everything - everything.mean(axis=0)) / spread).filled(0.0) / np.sqrt(measures.shape[1])
    return scaled[: len(measures)], scaled[len(measures) :]


def _why(swing: dict[str, object], *, judged: int, first: bool) -> str:
    """Why a swing is on the list, without what the tool thinks of it."""
    either = swing["either_way"]
    names = "" if either == swing["faults"] else _listed(either) + " "  # type: ignore[arg-type]
    reasons = [f"{names}could go either way" if either else "the least clear that is left"]
    if not first and float(swing["unlike"]) > _UNLIKE:  # type: ignore[arg-type]
        reasons.append("unlike the swings judged so far and those above")
    swings = "1 swing" if judged == 1 else f"{judged} swings"
    reasons.append(f"{swings} of this golfer judged" if judged else "nobody has judged this golfer yet")
    return "; ".join(reasons)


def _listed(names: Sequence[str]) -> str:
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)


def _hash(ids: tuple[str, ...]) -> str:
    return hashlib.sha256("\0".join(ids).encode("utf-8")).hexdigest()
