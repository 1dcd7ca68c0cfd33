"""Is a season like what the model has learned from? Reported for each kind of recording; it changes no probability.

Fixed histograms are summed, so that memory does not grow with the swings. Swings of one golfer are alike, so chance is
reckoned with fewer independent swings than there are, by each feature's likeness in training.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from functools import lru_cache
from typing import Any, Final, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaincinv, gammaincinv

from faultml.quality.reference import BINS, KINDS, Kind, Reading, Reference, bins_of, kind_of
from faultml.rules_file import Record, load_data

Array = NDArray[np.float64]

MIN_SWINGS: Final = 20
"""Fewer swings of a recorder than this are not spoken of."""
OUTSIDE: Final = 0.05
"""Share of swings outside the central 99 % of training from which on a feature is unlike (common practice)."""
SHIFTED: Final = 0.25
"""Population stability index from which on a distribution is called shifted (common practice)."""
CHANCE: Final = 0.01
"""How often a recorder that is like training would be called unlike, over all features."""
LABELLED_SWINGS: Final = 100
LABELLED_PLAYERS: Final = 20
"""Verdicts that a retraining for such recordings asks for: the first size at which learning curves are judged."""

_CONSTANT: Final = ("setting:marked", "setting:has_pronation")
_COARSE_FROM_HZ, _STEP_HZ, _COARSE_HZ = 250.0, 10.0, 50.0
_FLOOR: Final = 1e-3


class Recorder(NamedTuple):
    """How a recording was made: sample rate to the nearest 10 or 50 Hz, contact marked, forearm seen."""

    rate_hz: int
    marked: bool
    forearm: bool


class _Words(Record, frozen=True):
    schema: Literal[1]
    words: dict[str, str]


class Tally:
    """Histograms of the watched features of some swings, for each recorder, and swings of each player."""

    def __init__(self) -> None:
        self.counts: dict[Recorder, NDArray[np.int64]] = {}
        self.players: dict[Recorder, Counter[str]] = {}

    def add(self, other: Tally) -> None:
        """Take in another tally."""
        for recorder, counts in other.counts.items():
            mine = self.counts.get(recorder)
            self.counts[recorder] = counts if mine is None else mine + counts
            self.players.setdefault(recorder, Counter()).update(other.players[recorder])


def tally(reference: Reference | None, names: tuple[str, ...], values: Array, players: NDArray) -> Tally:
    """Sum up some swings.

    Parameters
    ----------
    reference
        What the model has learned from; without, nothing is summed.
    names, values
        Feature names and values, ``(n_swings, n_features)``, of assessed swings.
    players
        ``(n_swings,)``.
    """
    found = Tally()
    if reference is None or not len(values):
        return found
    column = {name: at for at, name in enumerate(names)}
    kinds = kind_of(*(values[:, column[name]] > 0.5 for name in _CONSTANT))
    rate_hz = np.exp(values[:, column["setting:rate"]])
    step = np.where(rate_hz < _COARSE_FROM_HZ, _STEP_HZ, _COARSE_HZ)
    rates = (np.round(rate_hz / step) * step).astype(int)
    for place in np.unique(kinds):
        rows = np.flatnonzero(kinds == place)
        known = reference.kinds.get(KINDS[place])
        readings = _watched(known) if known else {}
        bins = np.empty((len(readings), len(rows)), dtype=np.int64)
        for at, (name, reading) in enumerate(readings.items()):
            bins[at] = bins_of(np.array(reading.edges), values[rows, column[name]]) + at * BINS
        for rate in np.unique(rates[rows]):
            these = rates[rows] == rate
            recorder = Recorder(int(rate), bool(place % 2), bool(place >= 2))
            counts = np.bincount(bins[:, these].ravel(), minlength=len(readings) * BINS)
            found.counts[recorder] = counts.reshape(len(readings), BINS)
            found.players[recorder] = Counter(players[rows[these]].tolist())
    return found


def compare_to(reference: Reference | None, sums: Tally) -> list[dict[str, Any]]:
    """How each recorder's swings compare with training, for ``run.json``; the most swings first.

    Returns
    -------
    A mapping a recorder: ``rate_hz, marked, forearm, swings, players``, ``known`` (whether training held such
    recordings), and ``features``, those that are unlike or shifted: ``feature, words, outside`` (share outside the
    central 99 %), ``psi`` (population stability index), ``psi_by_chance`` (what other golfers alone may make of
    it), ``ks`` (largest gap of the cumulative shares), ``unlike``, ``shifted``. Shifted only says that the golfers
    are others than in training, well within what the model knows.
    """
    recorders = []
    for recorder, counts in sums.counts.items():
        players = sums.players[recorder]
        swings = sum(players.values())
        if reference is None or swings < MIN_SWINGS:
            continue
        kind = reference.kinds.get(KINDS[recorder.marked + 2 * recorder.forearm])
        readings = _watched(kind) if kind else {}
        size = np.array(list(players.values()), dtype=float)
        features = [
            _compare(name, reading, row / swings, size, len(readings))
            for (name, reading), row in zip(readings.items(), counts, strict=True)
        ]
        recorders.append(
            recorder._asdict()
            | {"swings": swings, "players": len(players), "known": kind is not None}
            | {"features": [each for each in features if each["unlike"] or each["shifted"]]}
        )
    return sorted(recorders, key=lambda each: -each["swings"])


def watch_sentences(watched: list[dict[str, Any]]) -> list[str]:
    """What is unlike, in plain words, a sentence or two a recorder; nothing where all is like what the model knows."""
    lines = []
    for each in watched:
        what = f"Swings recorded at {_recorder_words(each)}"
        counted = f"{each['swings']:,} swings, {each['players']} player{'' if each['players'] == 1 else 's'}"
        unlike = list(dict.fromkeys(row["words"] for row in each["features"] if row["unlike"]))
        if not each["known"]:
            lines.append(
                f"{what} ({counted}) are of a kind that the model has not learned from. {_need(each)}"
            )
        elif unlike:
            lines.append(
                f"{what} ({counted}) look unlike what the model knows: {', '.join(unlike)}. "
                f"Take what is said of them with more doubt. {_need(each)}"
            )
    return lines


def words_of(feature: str) -> str:
    """A watched feature in words: those of the longest part of its name that has some."""
    words = _words()
    parts = feature.replace("_deg", "").split(":")
    for end in range(len(parts), 0, -1):
        name = ":".join(parts[:end])
        for known in (name, name.rsplit("_", 1)[0]):
            if known in words:
                return words[known]
    return feature


def effective_swings(size: Array, alike: float) -> float:
    """How many independent swings so many of each golfer are worth, given how alike one golfer's are (Kish 1965)."""
    return float(size.sum() ** 2 / (alike * (size**2).sum() + (1 - alike) * size.sum()))


def _compare(name: str, reading: Reading, share: Array, size: Array, tests: int) -> dict[str, Any]:
    known = np.maximum(_deciles(np.array(reading.shares)), _FLOOR)
    found = _deciles(share)
    worth = effective_swings(size, reading.alike)
    # A bin that no swing fell into counts as half a swing, or the logarithm would be endless.
    psi = float(((found - known) * np.log(np.maximum(found, 0.5 / worth / len(found)) / known)).sum())
    by_chance = float(2 * gammaincinv((np.count_nonzero(known > _FLOOR) - 1) / 2, 1 - CHANCE / tests) / worth)
    outside = float(share[0] + share[-1])
    # The least share that such a count leaves likely (Clopper & Pearson 1934).
    surely = float(betaincinv(outside * worth, (1 - outside) * worth + 1, CHANCE / tests)) if outside else 0.0
    return {
        "feature": name,
        "words": words_of(name),
        "outside": round(outside, 3),
        "psi": round(psi, 3),
        "psi_by_chance": round(by_chance, 3),
        "ks": round(float(np.abs(np.cumsum(found - known)).max()), 3),
        "unlike": bool(surely > OUTSIDE),
        "shifted": bool(psi > max(SHIFTED, by_chance)),
    }


def _deciles(share: Array) -> Array:
    """The outermost bins put together with their neighbours."""
    return np.concatenate([[share[:2].sum()], share[2:-2], [share[-2:].sum()]])


def _watched(kind: Kind) -> dict[str, Reading]:
    """Readings that can differ within a kind of recorder; without a forearm part, none that rest on it."""
    return {name: each for name, each in kind.readings.items() if each.edges[0] < each.edges[-1]}


def _recorder_words(recorder: Mapping[str, Any]) -> str:
    marks = "with contact marked" if recorder["marked"] else "without contact marks"
    return (
        f"{recorder['rate_hz']} Hz, {marks}{'' if recorder['forearm'] else ' and without forearm rotation'}"
    )


def _need(recorder: Mapping[str, Any]) -> str:
    return (
        f"A coach's verdicts on about {LABELLED_SWINGS} such swings of {LABELLED_PLAYERS} players (here: "
        f"{recorder['players']}) would show whether the calls fit them, and faultml retrain moves the edges where "
        "they do not; what such recordings look like, only a model that is trained anew learns."
    )


@lru_cache(maxsize=1)
def _words() -> dict[str, str]:
    return load_data(__package__, "watch.toml", _Words).words
