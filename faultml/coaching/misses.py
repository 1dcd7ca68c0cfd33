"""What the player misses with, and how well a fault explains it."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence, Set
from dataclasses import dataclass, field
from typing import Literal, NamedTuple

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
    balls, straight
        Of these, how many had each miss, and how many were straight.
    usual
        The misses that the roster's word names.
    enough
        Whether enough balls were noted for them alone to say what the miss is.
    path
        Whether a good part of the misses tells of the swing's path, which the wrist does not show.
    """

    known: bool
    shares: Mapping[str, float] = field(default_factory=dict)
    level: float = 0.0
    swings: float = 0.0
    balls: Mapping[str, int] = field(default_factory=dict)
    straight: int = 0
    usual: tuple[str, ...] = ()
    path: bool = False
    enough: bool = False

    @property
    def common(self) -> str:
        """The most common miss of the balls alone, "" where none was noted."""
        return max(sorted(self.balls), key=lambda miss: self.balls[miss], default="")

    @property
    def disagrees(self) -> bool:
        """Whether the roster names a miss, and the balls have another one as the most common, or none."""
        return bool(self.usual) and self.swings > 0 and self.common not in self.usual

    @property
    def main(self) -> str:
        """The miss that faults are held against, "" where there is none.

        That of the balls where enough were noted; before that the roster's word counts beside them.
        """
        if self.level <= 0:
            return ""
        return (
            self.common
            if self.enough and self.common
            else max(sorted(self.shares), key=self.shares.__getitem__)
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


class Shot(NamedTuple):
    """Swings of one shot, and how far one fault shows in them: a row of `Summary.shots` of one player."""

    shot: str
    fault: str
    n: float
    p: float


def profile(shots: Sequence[Shot], usual_miss: str, rules: Rules) -> MissProfile:
    """A player's misses, from the shots in play and the roster's word for it ("" where nobody said)."""
    explaining = rules.explaining
    swings: dict[str, float] = {}
    for row in shots:
        swings[row.shot] = max(swings.get(row.shot, 0.0), row.n)
    known = sum(swings.values())
    balls: dict[str, int] = {}
    for shot, n in sorted(swings.items()):
        for miss in label_shot(shot.split(), rules).counts:
            balls[miss] = balls.get(miss, 0) + round(n)
    straight = round(swings.get("straight", 0.0))
    usual = label_shot(re.findall(r"[a-z]+", usual_miss.casefold()), rules)
    weighed = [(label_shot(shot.split(), rules), n) for shot, n in sorted(swings.items())]
    if usual.total:
        weighed.append((usual, explaining.usual_miss_swings * explaining.usual_miss_share))
    missed = sum(n for labels, n in weighed if labels.total)
    total = sum(n * labels.total for labels, n in weighed)
    if not usual.total and known < rules.style.known_shots:
        return MissProfile(known=False, swings=known, balls=balls, straight=straight)
    if not total:
        return MissProfile(known=True, swings=known, straight=straight)
    counts: dict[str, float] = {}
    for labels, n in weighed:
        for miss, count in labels.counts.items():
            counts[miss] = counts.get(miss, 0.0) + n * count
    asked = known + (explaining.usual_miss_swings if usual.total else 0.0)
    return MissProfile(
        known=True,
        shares={miss: count / total for miss, count in sorted(counts.items())},
        level=min(1.0, missed / asked / explaining.full_at),
        swings=known,
        balls=balls,
        straight=straight,
        usual=tuple(usual.counts),
        path=sum(n for labels, n in weighed if labels.path) > total / 2,
        enough=known >= rules.style.known_shots,
    )


FitWord = Literal["agree", "catalogue", "data", "against", ""]
"""What ties a fault to the miss: catalogue and balls, the catalogue alone, the balls alone, the catalogue against the
balls, or nothing."""


class Fit(NamedTuple):
    """Whether a fault goes with the miss: by the catalogue's weights, and by the balls.

    ``n_with`` balls with the miss were assessed for the fault, which shows in an estimated share ``rate_with`` of them;
    ``n_without`` and ``rate_without`` are those of the other balls. Shares are NaN where there is no ball.
    """

    word: FitWord
    n_with: int
    rate_with: float
    n_without: int
    rate_without: float


def listed_faults(
    misses: MissProfile,
    brings: Mapping[str, Sequence[str]],
    seen: Set[str],
    faults: Iterable[str],
    rules: Rules,
) -> frozenset[str]:
    """Faults that the catalogue's weights tie to the main miss, or that bring one which is seen and so tied."""
    found = {fault for fault in faults if rules.weight(misses.main, fault) > 0}
    for _ in brings:
        found |= {cause for cause, brought in brings.items() if any(each in found & seen for each in brought)}
    return frozenset(found)


def fits(misses: MissProfile, rows: Sequence[Shot], listed: bool, rules: Rules) -> Fit:
    """How one fault fits the main miss; `rows` are the fault's own, `listed` is what `listed_faults` says."""
    n: dict[bool, float] = {True: 0.0, False: 0.0}
    p: dict[bool, float] = {True: 0.0, False: 0.0}
    for row in rows:
        has = misses.main in label_shot(row.shot.split(), rules).counts
        n[has], p[has] = n[has] + row.n, p[has] + row.p
    rate = {side: p[side] / n[side] if n[side] else math.nan for side in n}
    clear = 0
    if min(n.values()) >= rules.explaining.lift_min_swings:
        overall = sum(p.values()) / sum(n.values())
        error = (overall * (1 - overall) * sum(1 / each for each in n.values())) ** 0.5
        apart = rate[True] - rate[False]
        clear = (apart > 2 * error > 0) - (apart < -2 * error < 0)
    words: dict[tuple[bool, int], FitWord] = {
        (True, 1): "agree",
        (True, 0): "catalogue",
        (True, -1): "against",
        (False, 1): "data",
    }
    word = words.get((listed, clear), "") if misses.main else ""
    return Fit(word, round(n[True]), rate[True], round(n[False]), rate[False])


def explains(
    misses: MissProfile, shots: Sequence[Shot], faults: Iterable[str], rules: Rules
) -> dict[str, float]:
    """How well each fault by itself explains the misses, 0 to 1.

    Where the misses are not known, each explains what the rules call `unknown`.
    """
    if not misses.known:
        return dict.fromkeys(faults, rules.explaining.unknown)
    labels = {row.shot: label_shot(row.shot.split(), rules) for row in shots}
    own: dict[str, list[Shot]] = {}
    for row in shots:
        own.setdefault(row.fault, []).append(row)
    having = {miss: {shot for shot, each in labels.items() if miss in each.counts} for miss in misses.shares}
    found = {}
    for fault in faults:
        rows = own.get(fault, [])
        weights = [
            share * _weight(rules.weight(miss, fault), rows, having[miss], rules)
            for miss, share in misses.shares.items()
        ]
        found[fault] = min(1.0, misses.level * sum(weights))
    return found


def pass_back(
    explained: Mapping[str, float], brings: Mapping[str, Sequence[str]], seen: Set[str], share: float
) -> dict[str, float]:
    """Let a cause explain, at `share`, what its seen consequences explain, along the whole chain."""
    shares = dict(explained)
    for _ in brings:
        for cause, brought in brings.items():
            shares[cause] = max([shares[cause], *(share * shares[each] for each in brought if each in seen)])
    return shares


def _weight(weight: float, rows: Sequence[Shot], having: Set[str], rules: Rules) -> float:
    """The rules' weight, moved by how much more often the fault shows with the miss than without it.

    `having` are the shots that have the miss.
    """
    smoothing = rules.explaining.smoothing
    n_with = n_without = p_with = p_without = 0.0
    for row in rows:
        if row.shot in having:
            n_with, p_with = n_with + row.n, p_with + row.p
        else:
            n_without, p_without = n_without + row.n, p_without + row.p
    overall = (p_with + p_without) / max(n_with + n_without, 1.0)
    if min(n_with, n_without) < rules.explaining.lift_min_swings or overall <= 0:
        return weight
    rate_with = (p_with + smoothing * overall) / (n_with + smoothing)
    rate_without = (p_without + smoothing * overall) / (n_without + smoothing)
    lift = min(rules.explaining.lift_cap, 2 * rate_with / (rate_with + rate_without))
    if weight > 0:
        return weight * lift
    error = (overall * (1 - overall) * (1 / n_with + 1 / n_without)) ** 0.5
    clear = rate_with - rate_without > 2 * error > 0  # asked only of what the rules do not know of
    return rules.explaining.unlisted_weight * (lift - 1) if clear else 0.0
