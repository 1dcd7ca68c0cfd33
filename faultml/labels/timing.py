"""A golfer's timing: by how much marks of contact come after the impact as inferred, kept from marked swings.

A recorder's lag and a golfer's own way cannot be told apart: what is kept is their sum. It holds for one detector, one
kind of recorder and one club, is shrunk towards the group's, and enters swings without a mark as an input that is
written beside their results. Rows are made anew whenever a season is learned from again.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import REAL, Column, Integer, Table, Text, delete, insert, select, text

from faultml.channels import ID_COLUMNS
from faultml.recordings.corrections import MIN_MARKED, GolferTiming, iso_day
from faultml.store import METADATA, Store
from faultml.store.base import now
from faultml.store.people import forgotten

Array = NDArray[np.float64]

WITHIN_SD_S: Final = 0.0051
BETWEEN_SD_S: Final = 0.0086
"""Spread of the difference within and between golfers (synthetic, another generator), where the store holds few."""
WITHIN_WEIGHT, BETWEEN_WEIGHT = 20, 10
"""So many swings, or golfers, these are worth beside the store's own."""

TABLE: Final = Table(
    "impact_timing",
    METADATA,
    Column("id", Integer, primary_key=True),
    *(Column(name, Text, nullable=False) for name in (*ID_COLUMNS, "club", "recorder", "detector")),
    *(Column(name, REAL, nullable=False) for name in ("off_s", "sd_s")),
    *(Column(name, Text, nullable=False) for name in ("placed_by", "when")),
)


@dataclass(frozen=True)
class MarkedSwing:
    """A swing with a mark.

    Attributes
    ----------
    player, session, swing, club
        The swing.
    recorder, detector
        Kind of recorder, and hash of the detector that inferred its impact.
    off_s, sd_s
        By how much the mark comes after the impact inferred without it, and the mark's SD.
    placed_by
        What placed the mark.
    """

    player: str
    session: str
    swing: str
    club: str
    recorder: str
    detector: str
    off_s: float
    sd_s: float
    placed_by: str


def keep_marked(store: Store, sessions: Iterable[tuple[str, str]], marked: Sequence[MarkedSwing]) -> int:
    """Keep the marked swings of these players' sessions in the place of what was kept of them; how many there are."""
    with store.writing() as connection:
        gone = forgotten(connection, [each.player for each in marked])
        for player, session in set(sessions):
            connection.execute(delete(TABLE).where(TABLE.c.player == player, TABLE.c.session == session))
        rows = [{**vars(each), "when": now()} for each in marked if each.player not in gone]
        if rows:
            connection.execute(insert(TABLE), rows)
    return len(rows)


def golfer_timings(store: Store) -> tuple[GolferTiming, ...]:
    """The timing of every golfer with `MIN_MARKED` marked swings by one detector, recorder and club.

    Marks from before a moved sensor or a new grip (``faultml baseline``) are passed over.
    """
    with store.reading() as connection:
        rows = [
            (MarkedSwing(**{name: row[name] for name in MarkedSwing.__dataclass_fields__}), str(row["when"]))
            for row in connection.execute(select(TABLE).order_by(TABLE.c.id)).mappings()
        ]
        asked = text("SELECT player, max(day) FROM baselines GROUP BY player")
        since = {str(player): str(day) for player, day in connection.execute(asked)}
    kinds: dict[tuple[str, str], dict[tuple[str, str], list[tuple[MarkedSwing, str]]]] = defaultdict(dict)
    for each, when in rows:
        day = iso_day(each.session) or when[:10]
        if day >= since.get(each.player, ""):
            of_kind = kinds[each.detector, each.recorder]
            of_kind.setdefault((each.player, each.club), []).append((each, day))
    return tuple(
        timing
        for (detector, recorder), golfers in sorted(kinds.items())
        for timing in _shrunk(detector, recorder, golfers)
    )


def _shrunk(
    detector: str, recorder: str, golfers: dict[tuple[str, str], list[tuple[MarkedSwing, str]]]
) -> Iterable[GolferTiming]:
    """Each golfer's mean, pulled to the group's by how little it rests on (empirical Bayes)."""
    off = {key: np.array([each.off_s for each, _ in own]) for key, own in golfers.items()}
    mark_sd = {key: np.array([each.sd_s for each, _ in own]) for key, own in golfers.items()}
    within = _within_var(list(off.values()), list(mark_sd.values()))
    weights = {key: 1 / (within + sd**2) for key, sd in mark_sd.items()}
    means = {key: float((weights[key] * off[key]).sum() / weights[key].sum()) for key in off}
    doubt = {key: float(1 / own.sum()) for key, own in weights.items()}
    # One golfer more without any difference: a group of few is not taken for sure.
    group = sum(means.values()) / (len(means) + 1)
    apart = sum(max((means[key] - group) ** 2 - doubt[key], 0.0) for key in means)
    between = (BETWEEN_WEIGHT * BETWEEN_SD_S**2 + apart) / (BETWEEN_WEIGHT + len(means))
    for key, own in sorted(golfers.items()):
        if len(own) < MIN_MARKED:
            continue
        trust = between / (between + doubt[key])
        days = sorted(day for _, day in own)
        yield GolferTiming(
            player=key[0],
            club=key[1],
            recorder=recorder,
            detector=detector,
            offset_s=group + trust * (means[key] - group),
            sd_s=float(np.sqrt(within + trust * doubt[key])),
            n=len(own),
            since=days[0],
            last=days[-1],
            swings=tuple((each.session, each.swing) for each, _ in own),
        )


def _within_var(off: Sequence[Array], mark_sd: Sequence[Array]) -> float:
    """Variance of the difference within a golfer, without the marks' own, beside what is known of it."""
    total, count = WITHIN_WEIGHT * WITHIN_SD_S**2, float(WITHIN_WEIGHT)
    for own, sd in zip(off, mark_sd, strict=True):
        if len(own) > 1:
            free = len(own) - 1
            total += max(float(((own - own.mean()) ** 2).sum() - free * (sd**2).mean()), 0.0)
            count += free
    return total / count
