"""What the player misses with, and how well a fault explains it."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence, Set
from dataclasses import dataclass, field

import pandas as pd

from faultml.coaching.rules import Rules


@dataclass(frozen=True)
class MissProfile:
    """A player's misses, from the shots in play and the roster's word.

    Attributes
    ----------
    known
        Whether enough is known to say which misses there are, or that there are none.
    shares
        Each miss with its share of the player's misses. Two words together may count for less than one
        (a push hook is partly the path's doing), so the shares need not add up to 1.
    level
        0 where the player hardly misses, 1 from the share of misses on that counts in full.
    swings
        Swings in play whose shot is known.
    path
        Whether a good part of the misses tells of the swing's path, which the wrist does not show.
    """

    known: bool
    shares: Mapping[str, float] = field(default_factory=dict)
    level: float = 0.0
    swings: float = 0.0
    path: bool = False

    @property
    def main(self) -> str:
        """The most common miss, "" where there is none."""
        return (
            max(sorted(self.shares), key=lambda miss: self.shares[miss], default="") if self.level > 0 else ""
        )


@dataclass(frozen=True)
class Labels:
    """The misses one shot counts for: how much of each, how many in all, and whether the path is in it."""

    counts: Mapping[str, float]
    total: int
    path: bool


def label_shot(words: Iterable[str], rules: Rules) -> Labels:
    """Read the words of a shot; words that are no miss count for nothing."""
    left = set(words) & {entry.word for entry in rules.miss}
    counts: dict[str, float] = {}
    total, path = 0, False
    for compound in rules.compound:
        if set(compound.words) <= left:
            left -= set(compound.words)
            counts |= compound.counts
            total, path = total + 1, path or compound.path
    counts |= dict.fromkeys(sorted(left), 1.0)
    return Labels(counts, total + len(left), path)


def profile(shots: pd.DataFrame, usual_miss: str, rules: Rules) -> MissProfile:
    """A player's misses.

    Parameters
    ----------
    shots
        The player's rows of `Summary.shots`.
    usual_miss
        The roster's word for it, "" where nobody said.
    """
    explaining = rules.explaining
    swings = shots.groupby("shot")["n"].max() if len(shots) else pd.Series(dtype=float)
    shots_known, missed, labels_total, path = float(swings.sum()), 0.0, 0.0, 0.0
    counts: dict[str, float] = {}
    usual = label_shot(re.findall(r"[a-z]+", usual_miss.casefold()), rules)
    weighed = [(label_shot(str(shot).split(), rules), float(n)) for shot, n in swings.items()]
    if usual.total:
        weighed.append((usual, explaining.usual_miss_swings * explaining.usual_miss_share))
    for labels, n in weighed:
        missed += n * (labels.total > 0)
        labels_total += n * labels.total
        path += n * labels.path
        for miss, count in labels.counts.items():
            counts[miss] = counts.get(miss, 0.0) + n * count
    known = bool(usual.total) or shots_known >= rules.style.known_shots
    if not known or not labels_total:
        return MissProfile(known, swings=shots_known)
    asked = shots_known + (explaining.usual_miss_swings if usual.total else 0.0)
    return MissProfile(
        known=True,
        shares={miss: count / labels_total for miss, count in sorted(counts.items())},
        level=min(1.0, missed / asked / explaining.full_at),
        swings=shots_known,
        path=path > labels_total / 2,
    )


def explains(
    misses: MissProfile, shots: pd.DataFrame, faults: Iterable[str], rules: Rules
) -> dict[str, float]:
    """How well each fault by itself explains the misses, 0 to 1; `unknown` of the rules where they are not."""
    if not misses.known:
        return dict.fromkeys(faults, rules.explaining.unknown)
    told = dict(iter(shots.groupby("fault")))
    found = {}
    for fault in faults:
        rows = told.get(fault)
        parts = [share * _weight(miss, fault, rows, rules) for miss, share in misses.shares.items()]
        found[fault] = min(1.0, misses.level * sum(parts))
    return found


def pass_back(
    explained: Mapping[str, float], brings: Mapping[str, Sequence[str]], seen: Set[str], share: float
) -> dict[str, float]:
    """Let a cause explain, at `share`, what its seen consequences explain, along the whole chain."""
    told = dict(explained)
    for _ in brings:
        for cause, brought in brings.items():
            told[cause] = max([told[cause], *(share * told[each] for each in brought if each in seen)])
    return told


def _weight(miss: str, fault: str, rows: pd.DataFrame | None, rules: Rules) -> float:
    """The rules' weight, moved by how much more often the fault shows with the miss than without it."""
    weight, smoothing = rules.weight(miss, fault), rules.explaining.smoothing
    if rows is None:
        return weight
    having = rows["shot"].map(lambda shot: miss in label_shot(shot.split(), rules).counts).to_numpy(bool)
    n, p = rows["n"].to_numpy(float), rows["p"].to_numpy(float)
    n_with, n_without = float(n[having].sum()), float(n[~having].sum())
    if min(n_with, n_without) < rules.explaining.lift_least_swings:
        return weight
    overall = float(p.sum() / n.sum())
    rate_with = (float(p[having].sum()) + smoothing * overall) / (n_with + smoothing)
    rate_without = (float(p[~having].sum()) + smoothing * overall) / (n_without + smoothing)
    lift = min(rules.explaining.lift_cap, 2 * rate_with / (rate_with + rate_without)) if overall > 0 else 1.0
    if weight > 0:
        return weight * lift
    error = (overall * (1 - overall) * (1 / n_with + 1 / n_without)) ** 0.5
    seen = rate_with - rate_without > 2 * error > 0  # an association the rules do not know of has to be clear
    return rules.explaining.unlisted_weight * (lift - 1) if seen else 0.0
